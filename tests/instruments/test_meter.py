"""The meter: ranges, overload, repeats, and what its uncertainty holds."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pytest_mock import MockerFixture

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.files.bench import parts
from seqrun.instruments.roles import Meter
from seqrun.values import budget_of


@pytest.fixture
def meter(bench: Any) -> Any:
    """The meter, its leads on the sink's sensor."""
    for terminal, end in (("hi", "hot"), ("lo", "cold")):
        bench.demo.world.connect(f"meter.{terminal}", f"sensor.sink.{end}")
        bench.demo.world.connect(f"meter.sense_{terminal}", f"sensor.sink.{end}")
    return bench.meter


def test_it_plays_its_role(bench: Any) -> None:
    assert isinstance(bench.meter, Meter)


def test_a_sensor_is_read_in_ohms_within_its_uncertainty(bench: Any, meter: Any) -> None:
    meter.configure("resistance_4w", 110.0)
    ohms = meter.read(5)
    truth = bench.demo.world.resistance("sensor.sink.hot", "sensor.sink.cold")
    assert ohms.nominal_value == pytest.approx(truth, abs=2.0 * ohms.std_dev)
    assert ohms.std_dev < 0.05


def test_the_range_is_the_smallest_that_holds_the_value(bench: Any, meter: Any) -> None:
    meter.configure("resistance_4w", 110.0)
    assert "CONF:FRES 250;" in bench.sent("meter")[-1]
    meter.configure("dc_voltage", 0.1)
    assert "CONF:VOLT:DC 0.25;" in bench.sent("meter")[-1]


def test_a_value_beyond_every_range_is_refused_before_anything_is_sent(
    bench: Any, meter: Any
) -> None:
    before = len(bench.log)
    with pytest.raises(InstrumentRefused, match="range that holds"):
        meter.configure("dc_voltage", 2000.0)
    assert len(bench.log) == before


def test_configuring_the_same_again_says_nothing(bench: Any, meter: Any) -> None:
    meter.configure("dc_voltage", 1.0)
    before = len(bench.log)
    meter.configure("dc_voltage", 0.9)
    assert len(bench.log) == before


def test_repeats_are_one_exchange(bench: Any, meter: Any) -> None:
    meter.configure("resistance_4w", 110.0)
    before = len(bench.log)
    meter.read(10)
    assert len(bench.log) - before == 2


def test_overload_is_not_measured(bench: Any, meter: Any) -> None:
    meter.configure("resistance_4w", 50.0)  # the sensor has some 110 Ω; the range ends at 120 Ω
    bench.demo.world.disconnect("meter.hi")
    with pytest.raises(NotMeasured, match="overload"):
        meter.read(3)
    with pytest.raises(NotMeasured, match="overload"):
        meter.read_raw()


def test_an_auto_ranged_reading_takes_the_accuracy_of_the_range_it_is_on(meter: Any) -> None:
    meter.configure("resistance_4w")
    automatic = meter.read(3)
    meter.configure("resistance_4w", 110.0)
    fixed = meter.read(3)
    assert automatic.std_dev <= fixed.std_dev * 1.5


def test_a_meter_on_the_range_that_it_tells_is_as_good_as_one_that_was_put_there(
    meter: Any, mocker: MockerFixture
) -> None:
    """At its full scale, too: the next range is ten times as wide, and worse."""
    meter.configure("dc_voltage", 0.25)
    put_there = meter.accuracy(0.2).std_dev
    meter.configure("dc_voltage", 0.3)
    assert meter.accuracy(0.2).std_dev > 1.1 * put_there
    meter.configure("dc_voltage")
    mocker.patch.object(type(meter._ops["present_range"]), "number", return_value=0.25)
    assert meter.accuracy(0.2).std_dev == pytest.approx(put_there, rel=1e-9)


def test_a_long_integration_gets_the_time_it_takes(meter: Any) -> None:
    meter.configure("resistance_4w", 110.0, nplc=100.0)
    assert meter.read(5).std_dev > 0.0  # 5 times 100 line cycles, twice for auto-zero: 20 s


def test_reading_before_configuring_is_refused(meter: Any) -> None:
    with pytest.raises(InstrumentRefused, match="configured"):
        meter.read()


def test_two_readings_on_one_range_share_what_the_meter_does_wrong(meter: Any) -> None:
    meter.configure("resistance_4w", 110.0, nplc=10.0)
    first, second = meter.read(5), meter.read(5)
    assert (first - second).std_dev < 0.2 * first.std_dev
    meter.configure("resistance_4w", 2000.0)
    assert (first - meter.read(5)).std_dev > first.std_dev


def test_the_budget_names_instrument_function_and_range(meter: Any) -> None:
    meter.configure("resistance_4w", 110.0)
    names = [line.source.name for line in budget_of(meter.read(5))]
    assert any("meter resistance_4w 250 Ω, % of reading" in name for name in names)
    assert any("% of range" in name for name in names)
    assert any("scatter of 5" in name for name in names)


def test_accuracy_of_a_caller_s_own_mean_has_no_scatter(meter: Any) -> None:
    meter.configure("resistance_4w", 110.0)
    value = meter.accuracy(109.0)
    expected = math.hypot(109.0 * 1e-4, 1.6e-5 * 250.0) / math.sqrt(3.0)
    assert value.std_dev == pytest.approx(expected)


def test_the_noise_of_the_data_sheet_falls_with_the_root_of_the_time_and_that_of_ac_does_not(
    meter: Any,
) -> None:
    """Of one reading: 212 nV at one line cycle, DC; what is sent without one stays as it is."""

    def noise(function: Any, nplc: float, repeats: int = 1) -> float:
        meter.configure(function, 0.1, nplc)
        row = meter._present(0.1)
        quiet = meter._accuracy.measured([0.1], row, noise=0.0)
        meter._read = lambda *_, **__: 0.1
        whole = meter.read() if repeats == 1 else meter._accuracy.measured([0.1] * repeats, row)
        return math.sqrt(max(float(whole.std_dev) ** 2 - float(quiet.std_dev) ** 2, 0.0))

    one = noise("dc_voltage", 1.0)
    assert one == pytest.approx(meter.driver.row("dc_voltage", 0.1).noise, rel=1e-3)
    assert noise("dc_voltage", 100.0) == pytest.approx(one / 10.0, rel=1e-2)
    assert noise("dc_voltage", 0.02) == pytest.approx(one / math.sqrt(0.02), rel=1e-3)
    ac = noise("ac_voltage", 1.0)
    assert ac == pytest.approx(meter.driver.row("ac_voltage", 0.1).noise, rel=1e-3)
    assert noise("ac_voltage", 100.0) == pytest.approx(ac, rel=1e-6)


@pytest.mark.parametrize("said", [9.9e37, -9.9e37, 1e38])
def test_overload_is_told_on_either_side(meter: Any, said: float) -> None:
    meter.configure("dc_voltage", 0.1)
    meter._read = lambda *_, **__: said
    with pytest.raises(NotMeasured, match="overload"):
        meter.read_raw()
    meter._read = lambda *_, **__: math.copysign(9.8e37, said)
    assert abs(meter.read_raw()) == 9.8e37


def test_a_reading_is_waited_for_as_long_as_the_link_allows_and_each_takes_to_integrate(
    meter: Any,
) -> None:
    """5 s, and 50 ms for each line cycle of each reading."""
    for nplc, repeats, seconds in ((1.0, 1, 5.05), (100.0, 1, 10.0), (100.0, 3, 20.0)):
        meter.configure("dc_voltage", 0.1, nplc)
        assert meter._time_out(repeats) == pytest.approx(seconds)


def test_leads_that_were_measured_are_taken_off_two_wire_ohms_alone(bench: Any) -> None:
    meter = bench.meter
    assert meter._leads is None
    meter._leads = parts.TestLeads.model_validate({"resistance": "0.15 Ω", "tolerance": "0.03 Ω"})
    meter.configure("resistance_2w", 100.0)
    plain = meter._accuracy.attach(100.0, meter._present(100.0))
    found = meter.accuracy(100.0)
    assert found.nominal_value == pytest.approx(99.85)
    assert found.std_dev == pytest.approx(math.hypot(plain.std_dev, 0.03 / math.sqrt(3.0)))
    meter.configure("resistance_4w", 100.0)
    assert meter.accuracy(100.0).nominal_value == 100.0


def test_a_range_holds_as_much_as_it_says_and_no_more(bench: Any, meter: Any) -> None:
    full = max(r.range for r in meter.driver.rows["dc_voltage"])
    for value in (full, -full):
        meter.configure("dc_voltage", value)
        assert meter._row.range == full
    for value in (1.001 * full, -1.001 * full):
        with pytest.raises(InstrumentRefused, match=f"at most {full:g}"):
            meter.configure("dc_voltage", value)


def test_fewer_readings_than_were_wanted_are_no_mean(meter: Any, mocker: MockerFixture) -> None:
    meter.configure("dc_voltage", 0.1)
    mocker.patch.object(type(meter._ops["read_many"]), "numbers", return_value=[0.1, 0.1])
    with pytest.raises(NotMeasured, match="2 readings came"):
        meter.read(3)
    assert meter.read(2).nominal_value == pytest.approx(0.1)
