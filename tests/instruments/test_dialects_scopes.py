"""Drivers of real scopes against their dialects: one waveform of each transfer format, exact to the
code, with offset and scale; pieces, fixed record lengths, an edge that never comes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from dialect_bench import eventually, of_role, shipped
from dialects import trace
from dialects.rigol_dho800 import CAPTURED_CODES, CAPTURED_PREAMBLE, STORED_VOLTS

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.instruments import preamble

SCOPES = of_role("scope")
#: V per code of a channel whose full scale is eight divisions
STEP = {
    "rigol-ds1000z": lambda per_division: per_division / 25.0,
    "rigol-dho800": lambda per_division: 17.3 * per_division / 7500.0,
    "siglent-sds1000xe": lambda per_division: per_division / 25.0,
    "siglent-sds2000xplus": lambda per_division: per_division / 30.0,
    "tektronix-tds2000": lambda per_division: per_division / 25.0,
    "keysight-1000x": lambda per_division: per_division * 8.0 / 256.0,
}


#: codes that were stretched and rounded once more: so much of a step is lost by that, and the step
#: itself is known to a percent
ROUNDED_AGAIN = {"rigol-dho800": 1.0 / 17.0 + 0.01}


def _acquire(scope: Any, name: str, peaks: Any = None, **options: Any) -> Any:
    points = {
        "rigol-ds1000z": 6000,
        "rigol-dho800": 10_000,
        "siglent-sds1000xe": 7000,
        "siglent-sds2000xplus": 10000,
        "keysight-1000x": 5000,
    }
    settings = {"sample_rate_hz": 500e3, "points": points.get(name, 2500)} | options
    return scope.acquire(peaks or {1: 2.0, 2: 1.5}, **settings)


@pytest.mark.parametrize("name", SCOPES)
@pytest.mark.parametrize("turned", [0.0, 0.6], ids=["centred", "position knob turned"])
def test_a_waveform_is_exact_to_the_code(opener: Any, name: str, turned: float) -> None:
    scope, dialect = opener(name, probe=[1.0, 1.0, 1.0, 1.0])
    if turned:
        dialect.knob = {1: turned, 2: -turned}
    captured = _acquire(scope, name, {1: 3.5, 2: 2.5}, trigger=1)
    for channel in (1, 2):
        volts = captured.volts[channel]
        seconds = captured.t0_s + captured.dt_s * np.arange(len(volts))
        step = captured.lsb_v[channel] * (1.0 + ROUNDED_AGAIN.get(name, 0.0))
        # no code of the transfer may be off by more than the converter's own rounding
        assert np.max(np.abs(volts - trace.volts(channel, seconds))) <= 0.5 * step * (1 + 1e-4)
        assert len(np.unique(volts)) > 30


@pytest.mark.parametrize("name", SCOPES)
def test_codes_are_what_the_manual_says_they_are_worth(opener: Any, name: str) -> None:
    scope, dialect = opener(name, probe=[1.0, 1.0, 1.0, 1.0])
    captured = _acquire(scope, name)
    for channel in (1, 2):
        held = getattr(dialect, "vdiv", None) or getattr(dialect, "scale", None)
        per_division = held[channel] if held else dialect.range[channel] / 8.0
        within = 0.01 if name in ROUNDED_AGAIN else 1e-5
        assert captured.lsb_v[channel] == pytest.approx(STEP[name](per_division), rel=within)
        assert not captured.clipped[channel]


@pytest.mark.parametrize("name", SCOPES)
def test_a_probe_of_ten_is_in_the_volts_once(opener: Any, name: str) -> None:
    scope, dialect = opener(name, probe=[10.0, 10.0, 1.0, 1.0])
    captured = _acquire(scope, name, trigger=1)
    assert dialect.probe[1] == 10.0
    assert np.ptp(captured.volts[1]) == pytest.approx(3.0, abs=2 * captured.lsb_v[1])


@pytest.mark.parametrize("name", SCOPES)
def test_a_signal_beyond_the_range_is_told_as_clipped(opener: Any, name: str) -> None:
    scope, _ = opener(name)
    captured = _acquire(scope, name, {1: 0.3, 2: 2.0})
    assert captured.clipped[1]
    assert not captured.clipped[2]


@pytest.mark.parametrize("name", SCOPES)
def test_the_time_axis_is_that_of_the_record(opener: Any, name: str) -> None:
    scope, _ = opener(name)
    captured = _acquire(scope, name, trigger=1)
    volts = captured.volts[1] - captured.volts[1].mean()
    crossings = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
    assert len(crossings) >= 2
    period = (crossings[-1] - crossings[0]) / (len(crossings) - 1) * captured.dt_s
    assert period == pytest.approx(1e-3, rel=0.01)


@pytest.mark.parametrize("name", SCOPES)
def test_an_edge_that_never_comes_is_not_measured(
    opener: Any, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("seqrun.instruments.scope.READY_S", 0.2)
    scope, dialect = opener(name)
    _acquire(scope, name, trigger=1)
    dialect.edges = False
    with pytest.raises(NotMeasured, match="trigger"):
        _acquire(scope, name, trigger=1, time_out_s=0.2)
    dialect.edges = True
    assert len(_acquire(scope, name, trigger=1).volts[1])


@pytest.mark.parametrize("name", SCOPES)
def test_a_steady_voltage_is_acquired_without_an_edge(opener: Any, name: str) -> None:
    scope, dialect = opener(name)
    dialect.edges = False
    assert len(_acquire(scope, name, time_out_s=0.5).volts[1])


@pytest.mark.parametrize("name", SCOPES)
def test_ac_coupling_takes_the_steady_part_away(opener: Any, name: str) -> None:
    scope, _ = opener(name)
    captured = _acquire(scope, name, coupling="AC")
    assert captured.volts[2].mean() == pytest.approx(0.0, abs=captured.lsb_v[2])


def test_a_long_record_comes_in_pieces_of_what_the_scope_gives_at_once(opener: Any) -> None:
    scope, dialect = opener("rigol-ds1000z")
    captured = scope.acquire({1: 2.0}, sample_rate_hz=1e6, points=1_200_000)
    assert len(captured.volts[1]) == 1_200_000
    assert dialect.pieces == [250_000] * 4 + [200_000]
    seconds = captured.t0_s + captured.dt_s * np.arange(1_200_000)
    error = np.abs(captured.volts[1] - trace.volts(1, seconds))
    assert np.max(error) <= 0.5 * captured.lsb_v[1] * (1 + 1e-4)


def test_a_record_about_an_edge_has_its_zero_there(opener: Any) -> None:
    scope, _ = opener("siglent-sds2000xplus")
    captured = scope.acquire({1: 2.0}, sample_rate_hz=500e3, points=10_000, trigger=1)
    assert captured.t0_s == pytest.approx(-0.5 * 10_000 * captured.dt_s)


def test_memory_is_shared_by_the_channels_that_are_on(opener: Any) -> None:
    scope, dialect = opener("rigol-ds1000z")
    scope.acquire({1: 2.0, 2: 2.0, 3: 2.0}, sample_rate_hz=500e3, points=3000)
    assert dialect.depth == 3000  # a quarter each, with three on
    scope.acquire({1: 2.0, 2: 2.0}, sample_rate_hz=500e3, points=6000)
    assert dialect.depth == 6000


def test_a_scope_of_2500_points_refuses_a_longer_record_before_it_is_asked(opener: Any) -> None:
    scope, dialect = opener("tektronix-tds2000")
    before = len(dialect.received)
    with pytest.raises(InstrumentRefused, match="5000"):
        scope.acquire({1: 2.0}, sample_rate_hz=500e3, points=5000)
    assert len(dialect.received) == before


@pytest.mark.parametrize("name", SCOPES)
def test_safe_ends_a_wait_for_an_edge(opener: Any, name: str) -> None:
    scope, dialect = opener(name)
    scope.make_safe()
    assert eventually(lambda: dialect.received[-1].upper() != "*IDN?")


def test_codes_of_a_real_capture_are_the_volts_that_the_instrument_stored_itself() -> None:
    """A published capture: codes of its memory, and beside them its own file of volts."""
    settings = shipped("rigol-dho800").scope
    assert settings is not None
    fields = preamble.in_order(CAPTURED_PREAMBLE, settings, headers=False)
    found = preamble.scaling(fields, settings, points=10_000)
    preamble.plausible(found, settings, 8 * 0.05, 1.0 / 0.4e-6)
    volts = found.volts(np.array(CAPTURED_CODES))
    assert volts[::5] == pytest.approx(STORED_VOLTS, abs=0.5 * found.yincrement)
    assert found.xorigin + 5000 * found.xincrement == pytest.approx(0.0, abs=1e-12)


def test_there_are_three_ways_of_transfer_at_least() -> None:
    ways = set()
    for name in SCOPES:
        driver = shipped(name)
        assert driver.scope is not None
        of = [way for way in ("keys", "preamble", "descriptor") if getattr(driver.scope, way)]
        ways.add((*of, driver.scope.yorigin_in))
    assert len(ways) >= 4
