"""Driver files for the virtual instruments quote the same figures as their data sheets."""

import pytest

from demo_sim.instruments import specifications as spec
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find

ENTRIES = [entry for entry in spec.TABLE if entry.instrument != "scope"]


def driver(instrument):
    return load_driver(find("driver", f"generic-{instrument}"))


@pytest.mark.parametrize(
    "entry", ENTRIES, ids=lambda e: f"{e.instrument}-{e.function}-{e.full_scale:g}"
)
def test_driver_quotes_the_data_sheet(entry):
    rows = [
        row
        for row in driver(entry.instrument).accuracy
        if row.function == entry.function and row.range == pytest.approx(entry.full_scale)
    ]
    assert len(rows) == 1
    (row,) = rows
    assert row.of_reading / 100 == pytest.approx(entry.of_reading)  # driver files hold per cent
    offset = row.offset
    if entry.function == "resistance_2w":  # leads and contacts stand apart: no part of the meter
        offset += driver("meter").meter.lead_resistance
    assert row.of_range / 100 * entry.full_scale + offset == pytest.approx(entry.offset)


def test_driver_quotes_the_scopes_data_sheet():
    entry = spec.accuracy("scope", "voltage")
    (row,) = [r for r in driver("scope").accuracy if r.function == "voltage"]
    assert row.of_reading / 100 == pytest.approx(entry.of_reading)
    assert row.of_range / 100 == pytest.approx(entry.of_range)
    settings = driver("scope").scope
    assert (settings.bits, settings.channels) == (spec.SCOPE_BITS, spec.SCOPE_CHANNELS)
    assert settings.max_points == spec.SCOPE_MAX_POINTS


@pytest.mark.parametrize(
    ("quoted", "dbc"),
    [
        (driver("scope").scope.distortion, spec.SCOPE_DISTORTION_DBC),
        (driver("generator").generator.distortion, spec.GENERATOR_DISTORTION_DBC),
    ],
    ids=["scope", "generator"],
)
def test_driver_quotes_the_instruments_own_distortion(quoted, dbc):
    assert quoted == pytest.approx(10 ** (dbc / 20), rel=0.02)
