"""Whether the metal is cold again where a run goes on: a drift is counted from a cold unit.

What counts from cold is read again when a run is resumed, and the heatsink of a unit that was
heated a while ago may still be warm: then too little drift would be seen, and a creeping unit pass.
The sensors on heatsink and in the air tell, before the rails come up. On a bench without them time
has to: after six of the longest usual time constants nothing is left.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from seqrun.errors import BenchLacks, NotMeasured
from seqrun.quantity import render
from seqrun.steps.common.from_cold import NOT_COLD
from seqrun.steps.common.sink import PT100_EXPECTED_OHM, read_temperature
from seqrun.values import COVERAGE_FACTOR

if TYPE_CHECKING:
    from seqrun.plan.actions import Action, Plan
    from seqrun.runner.lent import Lent
    from seqrun.runner.resuming import Resumption

#: a heatsink this much warmer than the room is cold enough (our own choice: of a drift that is
#: counted over thirty kelvins it hides a tenth)
COLD_K = 3.0
#: six times fifteen minutes, the slowest of usual heatsinks (common practice)
COOLS_S = 5400.0


def counts_from_cold(plan: Plan, resumed: Resumption) -> bool:
    """Whether the first run had power on the unit, and a step that is still to be done counts from
    what is read cold."""
    first = plan.actions[: _reached(plan, resumed) + 1]
    powered = any(a.needs.energises or a.needs.mains for a in first)
    return powered and any(
        action.step.from_cold for action in plan.actions if action.id not in resumed.keeps
    )


def look(lent: Lent, resumed: Resumption) -> None:
    """See how warm the metal is before power, and keep why nothing counts from it as from cold."""
    why = _by_sensors(lent)
    if why is None:
        why = _by_time(resumed)
    if why:
        lent.keep(NOT_COLD, f"{why}: let it cool, and do the whole sequence again")
        lent.say(f"{why}: what counts from cold is not measured")


def _by_sensors(lent: Lent) -> str | None:
    """Why the metal is not cold, "" where it is; None where no sensors tell."""
    view, celsius = lent.view, []
    if not view.has("meter") or view.by_hand("meter"):
        return None
    if not view.drivers[view.key("meter")].can("configure_resistance_4w"):
        return None
    try:
        for point in ("sensor.sink", "sensor.ambient"):
            view.sensor(point)
            lent.connect(view.meter_four_wire(point))
            lent.meter.configure("resistance_4w", PT100_EXPECTED_OHM, 10.0)
            celsius.append(read_temperature(lent, point, 3))
    except (BenchLacks, NotMeasured):
        return None
    over = celsius[0] - celsius[1]
    warmer = float(over.nominal_value)
    if warmer - COVERAGE_FACTOR * float(over.std_dev) <= COLD_K:
        return ""
    return (
        f"the heatsink is {render(warmer, 'K', digits=2)} warmer than the room after the first run"
    )


def _by_time(resumed: Resumption) -> str:
    ended = datetime.fromisoformat(resumed.of.run.ended_utc)
    ago = (datetime.now(UTC) - ended).total_seconds()
    if ago >= COOLS_S:
        return ""
    return (
        f"the unit had power until {render(max(ago, 0.0) / 60.0, 'min', digits=2)} ago, and no "
        "sensor tells whether its metal is cold"
    )


def _reached(plan: Plan, resumed: Resumption) -> int:
    """The action that the first run was at when it ended."""
    done = set(resumed.keeps) | set(resumed.checks) | set(resumed.again)
    last = [i for i, action in enumerate(plan.actions) if action.id in done]
    return max(last, default=-1) + 1


def is_first_power(action: Action) -> bool:
    return action.needs.energises or action.needs.mains
