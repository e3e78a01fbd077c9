"""What steps declare is what a run leaves on record."""

from __future__ import annotations

from collections.abc import Callable

from acceptance_runs import Done

from seqrun.judge.condition import conditions
from seqrun.plan.expected import expected
from seqrun.runner.preparation import prepare
from seqrun.steps.base import measurands

#: yielded only when there is something to show
AS_THE_CASE_MAY_BE = {"burst_peak", "crackle_peak"}


def test_a_run_holds_what_its_plan_said_it_would_and_under_the_same_conditions(
    acceptance: Callable[..., Done],
) -> None:
    judged = acceptance().outcome.judged
    read = {
        (one.step, one.quantity): condition.heat
        for one, condition in zip(judged, conditions(judged), strict=True)
    }
    plan, _ = prepare("acceptance", "demo", None)
    said = {(one.step, one.quantity.name): one.condition.heat for one in expected(plan)}
    assert {key: said.get(key) for key in read} == read
    assert {quantity for _, quantity in said.keys() - read.keys()} <= AS_THE_CASE_MAY_BE


def test_units_on_record_are_the_declared_ones(acceptance: Callable[..., Done]) -> None:
    known = measurands()
    for one in acceptance().outcome.judged:
        assert one.unit == known[one.quantity].unit


def test_limits_are_held_against_judged_quantities_only(acceptance: Callable[..., Done]) -> None:
    plan, _ = prepare("acceptance", "demo", None)
    held = {(one.step, one.quantity.name): one.judged for one in expected(plan)}
    for one in acceptance().outcome.judged:
        if one.limit is not None:
            assert held[one.step, one.quantity], one.step
