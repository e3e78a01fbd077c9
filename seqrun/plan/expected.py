"""What the steps of a plan will put on record: each quantity, where, and under which condition.

It is known before anything is powered, so that whatever takes readings by quantity and condition
can say beforehand what it will not recognise. The condition is worked out by the rule that a
record is read by (:mod:`seqrun.judge.condition`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from seqrun.files.sequence.crosscheck import places
from seqrun.judge.condition import Condition, heat_after
from seqrun.plan.actions import Plan
from seqrun.plan.measurand import Measurand
from seqrun.values import Heat

#: the unit without power, powered without signal, or driven into its loads
Power = Literal["off", "idle", "driven"]


@dataclass(frozen=True, slots=True)
class Expected:
    """A quantity that a step will yield.

    ``places`` are the channels or rails that it is read for, () where the files do not tell.
    ``condition`` has no frequency, power or level: those stand in the note of a reading.
    """

    step: str
    quantity: Measurand
    judged: bool
    places: tuple[str, ...]
    condition: Condition
    power: Power


def expected(plan: Plan) -> list[Expected]:
    """All that the steps of a plan may yield, in order."""
    found: list[Expected] = []
    heat, powered = Heat.COLD, False
    for action in plan.actions:
        needs, quantities, judges = action.needs, action.step.quantities, action.step.judges
        powered |= needs.energises or needs.mains
        driven = any(watts > 0.0 for watts in needs.load_power_w.values())
        heat = heat_after({of.name for of in quantities}, heat)
        power: Power = "driven" if driven else "idle" if powered else "off"
        at = tuple(places(action.step, plan.view.unit))
        for of in quantities:
            condition = Condition(heat, quantities[0].name)
            held = of in judges
            found.append(Expected(action.id, of, held, at if held else (), condition, power))
        if needs.safe or needs.switches_off:
            powered = False
    return found
