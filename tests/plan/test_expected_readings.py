"""What a sequence will put on record is known before anything is powered."""

from __future__ import annotations

import pytest

from seqrun.files.shipped import shipped
from seqrun.plan.expected import Condition, Expected, expected
from seqrun.runner.preparation import prepare

UNIT_FOR = {"preamp": "demo-receiver"}


@pytest.fixture(scope="module")
def acceptance() -> dict[tuple[str, str], Expected]:
    plan, _ = prepare("acceptance", "demo", None)
    return {(one.step, one.quantity.name): one for one in expected(plan)}


def condition(found: dict[tuple[str, str], Expected], step: str, quantity: str) -> Condition:
    return found[step, quantity].condition


def test_a_load_is_read_on_a_cold_unit_without_power(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    assert condition(acceptance, "load.left", "load_resistance") == ("off", "cold")


def test_one_quantity_before_and_after_the_heat_is_under_two_conditions(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    assert condition(acceptance, "offset.left", "dc_offset") == ("idle", "cold")
    assert condition(acceptance, "offset_hot.left", "dc_offset") == ("idle", "hot")


def test_what_is_worked_out_has_the_condition_of_what_it_is_worked_out_of(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    cold = condition(acceptance, "share_cold.left.upper", "current_sharing")
    assert cold == condition(acceptance, "cold.left.upper.1", "idle_current")
    assert cold.heat == "cold"
    assert condition(acceptance, "share_hot.left.upper", "current_sharing").heat == "hot"


def test_power_is_read_driven_and_for_each_channel(
    acceptance: dict[tuple[str, str], Expected],
) -> None:
    power = acceptance["power", "output_power"]
    assert (power.condition.power, power.places, power.judged) == (
        "driven",
        ("left", "right"),
        True,
    )
    assert not acceptance["power", "supply_current"].judged


@pytest.mark.parametrize("name", sorted(shipped("sequence")))
def test_every_step_that_judges_something_is_expected_to(name: str) -> None:
    plan, _ = prepare(name, "demo", UNIT_FOR.get(name))
    found = {(one.step, one.quantity) for one in expected(plan) if one.judged}
    assert found == {(a.id, of) for a in plan.actions for of in a.step.judges}
