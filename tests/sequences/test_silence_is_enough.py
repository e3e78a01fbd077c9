"""A sequence listens for so long that silence passes its limit, and asks no less of hot metal."""

from __future__ import annotations

import math

import pytest

from seqrun.plan.contract import Step
from seqrun.runner.preparation import prepare
from seqrun.steps.continuity import Crackles, DropOuts, OutputBursts
from seqrun.steps.disturbances import NoiseBursts
from seqrun.steps.heat import Soak

SHIPPED = ["acceptance", "intake", "quick", "relays", "sharing", "noise-hunt"]
#: the mean count that leaves nothing at all 2.3 % likely (Poisson): as sure as value + U
UNHEARD = -math.log(0.02275)


def counted(sequence: str) -> dict[str, tuple[float, float]]:
    """By id of a step that counts: its limit, Hz, and for how long it hears each output, s."""
    plan, files = prepare(sequence, "demo", "demo-2x40")
    steps: dict[str, Step] = {action.id: action.step for action in plan.actions}
    found = {}
    for name, step in steps.items():
        heard = steps[step.of] if isinstance(step, Crackles | DropOuts) else step
        if isinstance(heard, Soak) and step is not heard:
            seconds = heard.listen
        elif isinstance(heard, OutputBursts | NoiseBursts):
            seconds = heard.watch
        else:
            continue
        if step.limit is not None and step.limit.at_most is not None:
            limit = step.limit.at_most.evaluate_in("Hz", files.view.unit.names())
            found[name] = (limit, seconds)
    return found


@pytest.mark.parametrize("sequence", SHIPPED)
def test_nothing_heard_for_its_time_is_enough_to_pass(sequence: str) -> None:
    for name, (limit, seconds) in counted(sequence).items():
        assert UNHEARD / seconds <= limit, name


def test_an_acceptance_asks_no_less_of_hot_metal_than_of_cold() -> None:
    rates = counted("acceptance")
    assert rates["bursts"][0] <= rates["crackles_idle"][0]
    assert set(rates) == {"crackles_idle", "drop_outs", "crackles_driven", "bursts"}
