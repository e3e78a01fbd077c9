"""Holding a power, hold-up, drops, conditions, and devices one by one, against the truth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.measure.banks import busiest, current_per_kelvin
from seqrun.values import Bound, Verdict, normal

Powered = Callable[..., Any]


def test_a_power_held_is_what_comes_out_at_the_end(powered: Powered) -> None:
    unit = powered()
    read = unit.do('[[step]]\nid = "h"\ndo = "hold_power"\npower = "5 W"\nfor = "1 min"\n')
    for channel in ("left", "right"):
        assert read.one("held_power", channel).value == pytest.approx(5.0, rel=0.04)
    hot = read.one("held_sink_temperature")
    assert hot.value == pytest.approx(unit.truth.temperature("sink"), abs=hot.expanded_uncertainty)


def test_a_drop_is_held_against_the_magnitude_of_a_negative_rail(powered: Powered) -> None:
    read = powered().do(
        '[[step]]\nid = "rail.neg"\ndo = "dc_voltage"\nat = "rail.neg"\n'
        '[[step]]\nid = "d"\ndo = "drop"\nof = "rail.neg"\nbelow = "31 V"\n'
    )
    rail = read.one("dc_voltage")
    assert rail.value < 0.0
    assert read.one("voltage_drop").value == pytest.approx(31.0 + rail.value)


def test_a_condition_that_is_not_met_is_neither_pass_nor_fail(powered: Powered) -> None:
    read = powered().do(
        '[[step]]\nid = "t"\ndo = "temperature"\nat = "sensor.ambient"\n'
        '[[step]]\nid = "c"\ndo = "condition"\nof = "t"\nat_least = "40 °C"\nasked_by = "rule 7"\n'
    )
    assert "asked for by rule 7" in read.reason()


def test_a_condition_that_is_met_is_on_record(powered: Powered) -> None:
    read = powered().do(
        '[[step]]\nid = "t"\ndo = "temperature"\nat = "sensor.ambient"\n'
        '[[step]]\nid = "c"\ndo = "condition"\nof = "t"\nat_most = "40 °C"\n'
    )
    assert read.one("condition_met").value == 1.0


def test_the_busiest_device_is_named_with_its_share() -> None:
    found = busiest([normal(0.02, 1e-4, "a"), normal(0.05, 1e-4, "b"), normal(0.03, 1e-4, "c")])
    assert found.index == 1
    assert found.share.nominal_value == pytest.approx(0.5)
    assert found.ahead.nominal_value == pytest.approx(0.2)


def test_current_per_kelvin_is_the_growth_over_the_rise() -> None:
    slope = current_per_kelvin(
        normal(0.030, 1e-5, "hot"),
        normal(0.024, 1e-5, "cold"),
        normal(55.0, 0.2, "sink hot"),
        normal(25.0, 0.2, "sink cold"),
    )
    assert slope.nominal_value == pytest.approx(0.2e-3)


def test_hold_up_is_charge_over_current(powered: Powered) -> None:
    """C dV/I with what the unit draws at idle; the last step that this unit is powered for."""
    unit = powered(seed=9)
    rail = unit.world._unit.spec.rails
    amps = unit.world._unit.rails.pos.amps
    read = unit.do('[[step]]\nid = "u"\ndo = "hold_up"\nat = "rail.pos"\nuntil = "80 %"\n')
    expected = rail.reservoir_f * 0.2 * 30.0 / amps
    # The idle current falls a little with the rails, so it lasts a little longer.
    assert expected < read.one("hold_up").value < 1.5 * expected


def test_power_read_without_the_holding_never_passes_a_unit(powered: Powered) -> None:
    """60 W is more than the unit has to give: it is never held, and what it gives cold is read."""
    read = powered().do(
        '[[step]]\nid = "p"\ndo = "sustained_power"\npower = "60 W"\nfor = "10 s"\n'
        'at_distortion = "1 %"\nlimit = { at_least = "30 W" }\n'
    )
    found = [j for j in read.judged if j.quantity == "output_power"]
    assert [j.channel for j in found] == ["left", "right"]
    for judged in found:
        assert judged.value > 35.0
        assert judged.reading.bound is Bound.AT_MOST
        assert judged.verdict is Verdict.NOT_MEASURED
        assert "the power was not held" in judged.reading.note


def test_drift_does_not_go_by_the_order_in_which_devices_are_read(powered: Powered) -> None:
    each = '"left.upper.1", "left.lower.2", "right.upper.2", "right.lower.2"'
    places = [part.strip().strip('"') for part in each.split(",")]

    def devices(name: str) -> str:
        return "".join(
            f'[[step]]\nid = "{name}.{place}"\ndo = "device_current"\nat = "ballast.{place}"\n'
            'settle = { within = "1 mA", for = "2 s", at_most = "30 s" }\n'
            for place in places
        )

    drifts = "".join(
        f'[[step]]\nid = "drift.{place}"\ndo = "idle_drift"\nof = "hot.{place}"\n'
        f'against = "cold.{place}"\n'
        for place in places
    )
    heat = '[[step]]\nid = "h"\ndo = "hold_power"\npower = "5 W"\nfor = "8 min"\n'
    read = powered(seed=24).do(devices("cold") + heat + devices("hot") + drifts)
    at = {j.step: 1e3 * (j.value or 0.0) for j in read.judged}
    raw = [at[f"hot.{place}"] - at[f"cold.{place}"] for place in places]
    told = [1e3 * read.one("idle_drift", place).value for place in places]
    assert raw[0] - raw[-1] > 0.5
    assert max(told) - min(told) < 0.2
    assert min(told) == pytest.approx(raw[0], abs=0.2)
