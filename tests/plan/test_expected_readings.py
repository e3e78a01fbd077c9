"""What a sequence will put on record is known before anything is powered."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from short_plans import DOWN, LOADS, OFFSET, PROTECT, RAMP, TRIP

from seqrun.files.shipped import shipped
from seqrun.plan.actions import Plan
from seqrun.plan.cautions import OFF, POWERED, caution
from seqrun.plan.expected import Expected, expected
from seqrun.runner.preparation import prepare
from seqrun.values import Heat

UNIT_FOR = {"preamp": "demo-receiver"}


@pytest.fixture(scope="module")
def acceptance() -> dict[tuple[str, str], Expected]:
    plan, _ = prepare("acceptance", "demo", None)
    return {(one.step, one.quantity.name): one for one in expected(plan)}


def test_a_load_is_read_on_a_cold_unit_without_power(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    load = acceptance["load.left", "load_resistance"]
    assert (load.condition.heat, load.power) == (Heat.COLD, "off")


def test_one_quantity_before_and_after_the_heat_is_under_two_conditions(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    before, after = (acceptance[f"{step}.left", "dc_offset"] for step in ("offset", "offset_hot"))
    assert (before.condition.heat, before.power) == (Heat.COLD, "idle")
    # The step reads it at rest, and the DC while driven beside it.
    assert (after.condition.heat, after.power) == (Heat.DRIVEN, "driven")
    assert not before.condition.alike(after.condition)


def test_a_soak_at_idle_has_no_power_into_the_loads_to_show(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    assert ("heat_idle", "soak_power") not in acceptance
    assert ("heat_eighth", "soak_power") in acceptance
    assert acceptance["heat_idle", "sink_rise"].condition.heat is Heat.RESTED


def test_what_follows_a_step_that_switches_off_is_read_without_power() -> None:
    plan, _ = prepare("supplies", "demo", None)
    last = {one.quantity.name: one for one in expected(plan)}
    assert (last["hold_up"].power, last["residual_voltage"].power) == ("idle", "off")


def test_power_is_read_driven_and_for_each_channel(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    power = acceptance["power", "output_power"]
    assert (power.power, power.places, power.judged) == ("driven", ("left", "right"), True)
    assert not acceptance["power", "supply_current"].judged


@pytest.mark.parametrize("name", sorted(shipped("sequence")))
def test_every_step_that_judges_something_is_expected_to(name: str) -> None:
    plan, _ = prepare(name, "demo", UNIT_FOR.get(name))
    found = {(one.step, one.quantity) for one in expected(plan) if one.judged}
    assert found == {(a.id, of) for a in plan.actions for of in a.step.judges}


@pytest.mark.parametrize(("power", "told"), [("0.5 W", "driven"), ("2 W", "driven"), ("", "idle")])
def test_a_unit_that_plays_however_softly_is_driven(
    planned: Callable[..., Plan], power: str, told: str
) -> None:
    thd = f'[[step]]\nid = "x"\ndo = "thd"\npower = "{power}"\n'
    plan = planned(TRIP, LOADS, PROTECT, RAMP, thd if power else OFFSET, DOWN)
    found = {one.step.partition(".")[0]: one.power for one in expected(plan)}
    assert found["x" if power else "offset"] == told
    assert found["loads"] == "off"
    assert found["discharge"] == "idle"


def test_the_caution_goes_by_what_is_to_be_done_and_gives_both_where_nothing_is_declared() -> None:
    assert caution("off", "off") == OFF
    for works in (("powered",), ("off", "powered"), (None,), ("off", None)):
        assert caution(*works) == f"{POWERED} {OFF}"
