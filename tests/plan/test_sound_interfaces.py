"""Where a sound interface may be put, and what a plan says of it."""

from __future__ import annotations

from typing import Any

import pytest

from seqrun.runner.preparation import prepare


def left_out(plan: Any) -> dict[str, str]:
    return {out.id: out.reason for out in plan.left_out}


def test_acceptance_goes_as_far_as_it_can_and_says_what_is_left_out() -> None:
    plan, _ = prepare("acceptance", "demo:sound_card", None)
    out = left_out(plan)
    assert {"polarity", "stray"} <= set(out)
    words = ("samples a second", "at once", "reads no DC", "it needs '")
    assert all(any(word in why for word in words) for why in out.values())
    assert "320 kHz are needed" in out["stray"]
    assert {"thd", "gain", "separation", "contacts", "power"} & {a.id for a in plan.actions}


def test_no_step_puts_it_on_dc() -> None:
    plan, _ = prepare("supplies", "demo:sound_card", None)
    assert any("reads no DC, and rail.pos has some" in why for why in left_out(plan).values())
    for action in plan.actions:
        leads = [lead for hookup in action.needs.hookups for lead in hookup.leads]
        assert not any(t.startswith("scope") and n.startswith("rail") for t, n in leads)


@pytest.mark.parametrize("name", ["acceptance", "relays"])
def test_a_thump_is_not_looked_for_with_what_takes_dc_away(name: str) -> None:
    """Behind its coupling capacitors 4 V that die away in 150 ms read 6 mV, and would pass."""
    plan, _ = prepare(name, "demo:sound_card", None)
    assert "it reads no DC, and DC is looked for" in left_out(plan)["thump_on"]
    assert not any(action.step.kind == "switching_thump" for action in plan.actions)


def test_without_isolation_it_goes_onto_no_bridge() -> None:
    plan, _ = prepare("quick", "demo:sound_card", "demo-bridged")
    assert any("live terminal of a bridge" in why for why in left_out(plan).values())
    for action in plan.actions:
        if "scope" in action.needs.roles:
            leads = [lead for hookup in action.needs.hookups for lead in hookup.leads]
            assert not any(node.startswith("out.") for _, node in leads)


@pytest.mark.parametrize(
    ("bench", "told"),
    [
        ("demo:sound_card", "0.78 % with a scope of 8 bits, 0.049 % with a scope of 12 bits"),
        ("demo", "with a sound interface it would be about 0.003 %"),
    ],
)
def test_the_plan_says_what_distortion_each_kind_of_bench_tells(bench: str, told: str) -> None:
    plan, _ = prepare("acceptance", bench, None)
    (line,) = [line for line in plan.warnings if line.startswith("THD below")]
    assert told in line
    if bench != "demo":
        assert float(line.split()[3]) < 0.01
        assert any("computer's earth" in warning for warning in plan.warnings)
