"""Bench time that is announced: the steps' own, and that of hands for each lead and knob."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_plans import DOWN, OFFSET, PROTECT, RAMP, TRIP

import demo_sim
from seqrun.plan.actions import OPERATOR_S, Plan
from seqrun.runner.opening import VIRTUAL_HAND_S

KNOB = '[[step]]\nid = "knob"\ndo = "set_control"\ncontrol = "volume"\nto = "1"\n'


def acts_of(plan: Plan) -> dict[str, int]:
    return {a.id: acts for a, acts in zip(plan.actions, plan.acts, strict=True)}


def test_each_lead_that_moves_is_counted_and_one_that_is_there_is_not(
    planned: Callable[..., Plan],
) -> None:
    acts = acts_of(planned(TRIP, PROTECT, RAMP, OFFSET, DOWN))
    assert acts["protection"] == acts["bring_up"] == 0
    # the meter's two leads onto one output, then one of them to the other
    assert sorted(acts[f"offset.{c}"] for c in ("left", "right")) == [1, 2]
    assert acts["discharge"] == 4  # both leads onto each rail


def test_a_knob_is_an_act_of_hands_of_its_own(planned: Callable[..., Plan]) -> None:
    plan = planned(TRIP, PROTECT, RAMP, KNOB, OFFSET, DOWN)
    without = planned(TRIP, PROTECT, RAMP, OFFSET, DOWN)
    assert acts_of(plan)["knob"] == 1
    assert plan.seconds() == pytest.approx(without.seconds() + plan.hand_s)


def test_a_person_takes_longer_than_virtual_hands(
    planned: Callable[..., Plan], as_real: Callable[[str], str], tmp_path: Path
) -> None:
    parts = (TRIP, PROTECT, RAMP, OFFSET, DOWN)
    text = demo_sim.open_bench(unit_sheet="demo-2x40").bench_toml()
    (tmp_path / "bench.toml").write_text(as_real(text), encoding="utf-8")
    virtual, person = planned(*parts), planned(*parts, bench=str(tmp_path / "bench.toml"))
    assert (virtual.hand_s, person.hand_s) == (VIRTUAL_HAND_S, OPERATOR_S)
    more = sum(virtual.acts) * (OPERATOR_S - VIRTUAL_HAND_S)
    assert person.seconds() == pytest.approx(virtual.seconds() + more)
    assert OPERATOR_S > 2.0 * VIRTUAL_HAND_S


def test_what_waits_for_a_fail_is_not_counted(planned: Callable[..., Plan]) -> None:
    knob = KNOB + 'only_if = "{}"\n'
    base = planned(TRIP, PROTECT, RAMP, OFFSET, DOWN).seconds()
    for state, counts in (("failed", False), ("not measured", False), ("passed", True)):
        waits = planned(TRIP, PROTECT, RAMP, OFFSET, knob.format(f"offset.left {state}"), DOWN)
        assert waits.seconds() == pytest.approx(base + counts * VIRTUAL_HAND_S)


def test_a_switch_moves_leads_in_no_time(planned: Callable[..., Plan], tmp_path: Path) -> None:
    text = demo_sim.open_bench(with_switch=True, unit_sheet="demo-2x40").bench_toml()
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    plan = planned(TRIP, PROTECT, RAMP, OFFSET, KNOB, DOWN, bench=str(tmp_path / "bench.toml"))
    acts = acts_of(plan)
    assert acts.pop("knob") == 1  # which no switch turns
    assert acts["offset.left"] == acts["offset.right"] == 0
