"""The supply: what is set is read back, trips can be polled, outputs go off."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.instruments.roles import Supply


def test_it_plays_its_role(bench: Any) -> None:
    assert isinstance(bench.supply, Supply)
    assert bench.supply.outputs == 2


def test_protection_is_read_back_from_the_instrument(bench: Any) -> None:
    bench.supply.set_over_voltage_protection(2, 34.5)
    bench.supply.set_over_current_protection(2, 2.25)
    assert bench.supply.over_voltage_protection(2) == pytest.approx(34.5)
    assert bench.supply.over_current_protection(2) == pytest.approx(2.25)


def test_opening_switches_nothing_on(bench: Any) -> None:
    assert not bench.supply.enabled()


def test_read_back_holds_the_voltage_at_the_terminals(bench: Any) -> None:
    supply = bench.supply
    supply.set_current_limit(1, 1.0)
    supply.set_voltage(1, 5.0)
    supply.enable(True)
    bench.demo.world.advance(1.0)
    volts = supply.voltage(1)
    truth = bench.demo.world.supply_state("supply", 1).volts
    assert volts.nominal_value == pytest.approx(truth, abs=0.005 + 0.010 + 0.0005 + 4 * 0.0005)
    # 0.1 % + 10 mV, half a digit of 1 mV, 0.5 mV of noise
    expected = math.hypot(0.005 / 3**0.5, 0.010 / 3**0.5, 0.0005 / 3**0.5, 0.0005)
    assert volts.std_dev == pytest.approx(expected, rel=0.01)


def test_passing_the_protection_is_seen_as_a_trip(bench: Any) -> None:
    supply = bench.supply
    supply.set_over_voltage_protection(1, 5.0)
    supply.set_current_limit(1, 2.0)
    supply.enable(True)
    assert not supply.protection_tripped(1)
    supply.set_voltage(1, 12.0)
    bench.demo.world.advance(0.5)
    assert supply.protection_tripped(1)
    assert not supply.enabled()


def test_a_current_limit_that_is_reached_is_seen(bench: Any) -> None:
    supply = bench.supply
    for output in (1, 2):
        supply.set_current_limit(output, 0.05)
        supply.set_voltage(output, 30.0)
    supply.enable(True)
    assert supply.constant_current(1)  # the reservoirs charge


def test_an_output_that_it_does_not_have_is_refused(bench: Any) -> None:
    with pytest.raises(InstrumentRefused, match="no output 4"):
        bench.supply.set_voltage(4, 1.0)


def test_a_trip_costs_one_exchange(bench: Any) -> None:
    bench.supply.enable(True)
    before = len(bench.log)
    bench.supply.current_raw(1)
    assert len(bench.log) - before == 2  # asked, answered


@pytest.mark.parametrize(
    ("absent", "ask"),
    [
        ("over_voltage_protection", lambda s: s.set_over_voltage_protection(1, 5.0)),
        ("over_voltage_protection", lambda s: s.over_voltage_protection(1)),
        ("over_current_protection", lambda s: s.set_over_current_protection(1, 0.5)),
        ("over_current_protection", lambda s: s.over_current_protection(1)),
        ("over_current_protection", lambda s: s.over_current_on(1)),
        ("protection_tripped", lambda s: s.protection_tripped(1)),
        ("constant_current", lambda s: s.constant_current(1)),
        ("enabled", lambda s: s.enabled(1)),
    ],
)
def test_what_its_driver_file_says_it_has_not_is_not_measured_and_never_sent(
    bench: Any, absent: str, ask: Callable[[Any], object]
) -> None:
    supply = bench.supply
    settings = supply.driver.supply.model_copy(update={"absent": (absent,)})
    supply._settings = settings
    supply.driver = supply.driver.changed(supply=settings)
    sent = len(bench.sent("supply"))
    assert not supply.has(absent)
    with pytest.raises(NotMeasured):
        ask(supply)
    assert len(bench.sent("supply")) == sent


def test_a_protection_that_acts_at_the_limit_has_no_level_of_its_own(bench: Any) -> None:
    supply = bench.supply
    settings = supply.driver.supply.model_copy(update={"over_current": "at the limit"})
    supply._settings = settings
    supply.driver = supply.driver.changed(supply=settings)
    assert supply.protection(1).over_current == "at the limit"
    with pytest.raises(NotMeasured, match="acts at the current limit"):
        supply.over_current_protection(1)


@pytest.mark.parametrize(("repeats", "queries"), [(0, 1), (1, 1), (5, 5)])
def test_a_current_is_the_mean_of_its_repeats_with_their_scatter(
    bench: Any, repeats: int, queries: int
) -> None:
    supply = bench.supply
    values = [0.1, 0.2, 0.3, 0.2, 0.2][:queries]
    given = iter(values)
    supply._read_current = lambda output: next(given)
    found = supply.current(1, repeats)
    assert next(given, None) is None
    row = supply.driver.row("readback_current", max(values))
    expected = supply._accuracy.measured(values, row, "output 1")
    assert found.nominal_value == pytest.approx(sum(values) / queries)
    assert found.std_dev == pytest.approx(expected.std_dev)
