"""Drivers of real meters against their dialects: functions, ranges, readings, beyond the range."""

from __future__ import annotations

from typing import Any

import pytest
from dialect_bench import eventually, of_role, shipped

from seqrun.errors import InstrumentRefused, NotMeasured

METERS = of_role("meter")
#: what each dialect's inputs are, whatever it calls them
INPUTS = {
    "dc_voltage": (1.2345, 2.0), "ac_voltage": (2.5, 3.0), "dc_current": (0.05, 0.045),
    "resistance_2w": (8.12, 10.0), "resistance_4w": (8.01, 10.0), "temperature_pt100": (24.5, None),
}  # fmt: skip


@pytest.mark.parametrize("function", INPUTS)
@pytest.mark.parametrize("name", METERS)
def test_each_function_reads_its_own_input(opener: Any, name: str, function: str) -> None:
    if f"configure_{function}" not in shipped(name).operation:
        return  # said to be absent by leaving it out
    meter, _ = opener(name)
    expected, near = INPUTS[function]
    if any(row.function == function and row.unknown for row in shipped(name).accuracy):
        with pytest.raises(NotMeasured, match="not known"):
            meter.configure(function, near)
            meter.read(1)
        return
    if near is None or function != "ac_voltage":
        meter.configure("dc_voltage", 1.0)  # so that the function has to be changed
    meter.configure(function, near, 10.0)
    assert meter.read_raw() == pytest.approx(expected, rel=0.01)
    assert meter.read_raw() == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("name", METERS)
def test_beyond_the_range_is_not_measured(opener: Any, name: str) -> None:
    meter, _ = opener(name)
    meter.configure("dc_voltage", 0.03)
    with pytest.raises(NotMeasured):
        meter.read_raw()


@pytest.mark.parametrize("name", METERS)
def test_repeats_are_many_readings_and_the_next_reading_is_one(opener: Any, name: str) -> None:
    meter, dialect = opener(name)
    meter.configure("dc_voltage", 1.5)
    assert meter.read(repeats=4).nominal_value == pytest.approx(1.2345, rel=1e-3)
    assert getattr(dialect, "samples", 1) == 1
    assert meter.read_raw() == pytest.approx(1.2345, rel=1e-3)


@pytest.mark.parametrize("name", ["rigol-dm3058", "owon-xdm1041"])
def test_ranges_and_rates_go_out_in_the_meters_own_words(opener: Any, name: str) -> None:
    meter, dialect = opener(name)
    meter.configure("dc_voltage", 15.0, 10.0)
    meter.read_raw()
    if name == "rigol-dm3058":
        assert dialect.range["VOLTage:DC"] == 2
        assert dialect.received[-1] == ":MEAS:VOLT:DC?"
        assert dialect.rate["VOLTage:DC"] == "S"
    else:
        assert (dialect.function, dialect.range, dialect.rate) == ("VOLT:DC", "50", "S")


def test_a_meter_without_four_wires_says_so(opener: Any) -> None:
    meter, _ = opener("owon-xdm1041")
    with pytest.raises(InstrumentRefused):
        meter.configure("resistance_4w", 8.0)


def test_present_range_is_that_of_the_meter(opener: Any) -> None:
    meter, dialect = opener("keysight-34461a")
    meter.configure("dc_voltage", None)
    meter.read_raw()
    assert dialect.present("VOLT") == 10.0 or dialect.present("VOLT") == 1.0
    wide = meter.accuracy(1.2).std_dev
    dialect.inputs["VOLT"] = 0.05
    meter.configure("dc_voltage", 0.05)
    assert meter.read(1).std_dev < wide


def test_a_serial_meter_is_in_local_until_it_is_told_and_again_afterwards(opener: Any) -> None:
    driver = shipped("agilent-34401a-serial")
    assert (driver.link.parity, driver.link.data_bits, driver.link.stop_bits) == ("even", 7, 2)
    meter, dialect = opener("agilent-34401a-serial")
    assert dialect.remote
    meter.configure("dc_voltage", 4.0)
    assert meter.read_raw() == pytest.approx(1.234567)
    meter.close()
    assert eventually(lambda: not dialect.remote)
