"""What the steps of a plan will put on record: each quantity, where, and under which condition.

It is known before anything is powered, so that whatever reads a record by quantity and condition
(findings) can say beforehand what it will not recognise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from seqrun.files.crosscheck import places
from seqrun.plan.build import Action, Plan
from seqrun.plan.measurand import Measurand

Power = Literal["off", "idle", "driven"]
Heat = Literal["cold", "warm", "hot"]
LONG_S = 60.0  # held for as long, idle warms a unit and drive makes it hot


class Condition(NamedTuple):
    """The state of the unit when a quantity is read.

    ``power``: without power, powered without signal, or driven into its loads. ``heat``: as it was
    switched on; after it has idled for a minute or more; after it was driven for as long.
    """

    power: Power
    heat: Heat

    @property
    def words(self) -> str:
        """``"driven, hot"``."""
        return f"{self.power}, {self.heat}"


@dataclass(frozen=True, slots=True)
class Expected:
    """A quantity that a step will yield.

    ``places`` are the channels or rails that it is read for, () where the files do not tell.
    """

    step: str
    quantity: Measurand
    judged: bool
    places: tuple[str, ...]
    condition: Condition


def expected(plan: Plan) -> list[Expected]:
    """All that the steps of a plan may yield, in order."""
    found: list[Expected] = []
    state: dict[str, Condition] = {}
    heat: Heat = "cold"
    powered = False
    for action in plan.actions:
        powers = action.needs.energises or action.needs.mains
        powered |= powers
        driven = any(watts > 0.0 for watts in action.needs.load_power_w.values())
        power: Power = "driven" if driven else "idle" if powered else "off"
        now = _of_earlier(action, state) or Condition(power, heat)
        state[action.id] = now
        at = tuple(places(action.step, plan.view.unit))
        judges = action.step.judges
        found += [
            Expected(action.id, of, of in judges, at if of in judges else (), now)
            for of in action.step.quantities
        ]
        if powered and not powers and action.needs.seconds >= LONG_S:
            heat = "hot" if driven or heat == "hot" else "warm"
        if action.needs.safe or action.needs.switches_off:
            powered = False
    return found


def _of_earlier(action: Action, state: dict[str, Condition]) -> Condition | None:
    """The condition of the readings that a step works on, for one that reads nothing itself."""
    if action.needs.roles or action.needs.hookups:
        return None
    step = action.step
    for key, value in step.model_dump(include=set(step.id_fields)).items():
        if not isinstance(value, str) or key not in step.id_fields:
            continue
        for name, condition in state.items():
            if name == value or name.startswith(value + "."):
                return condition
    return None
