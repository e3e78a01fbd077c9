"""What protects the unit where a supply does not by itself, and what the plan says of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.plan.view import BenchView
from seqrun.quantity import render

if TYPE_CHECKING:
    from seqrun.files.bench.parts import FrontPanel
    from seqrun.files.sequence.file import Sequence as SequenceFile
    from seqrun.plan.actions import Action

#: how far a protection level may lie from the one wanted (supplies round to their own step)
LEVEL_TOLERANCE = 0.05
#: below it, confirmed by meter, a rail may be touched: the meter is common practice, 2 V our choice
DISCHARGED_V = 2.0


@dataclass(frozen=True, slots=True)
class Gap:
    """A protection that a supply does not set and read back over its link.

    Args:
        what: ``over_voltage`` or ``over_current``.
        rail, output: which the output feeds; counted through all supplies, from 1.
        words: what there is instead.
        level: V or A that the front panel is set to, when that stands in; None: nothing does.
    """

    what: str
    rail: str
    output: int
    words: str
    level: float | None = None


def gaps(view: BenchView, over_voltage: float | None, over_current: float | None) -> Iterator[Gap]:
    """Each protection that is not in the supplies, rail by rail.

    Args:
        over_voltage, over_current: what the sequence wants, V and A; None: not known yet.
    """
    for rail, output in view.rails.items():
        key = view.outlets("supply")[output - 1].rpartition(".")[0]
        settings, panel = view.drivers[key].supply, view.bench.instrument[key].front_panel
        if settings is None:
            continue
        if "over_voltage_protection" in settings.absent:
            least = view.unit.rail_voltage
            yield _by_hand("over_voltage", "V", rail, output, panel, least, over_voltage)
        if "over_current_protection" in settings.absent:
            yield _by_hand("over_current", "A", rail, output, panel, 0.0, over_current)
        elif settings.over_current == "at the limit":
            words = "over-current protection at the current limit, with no level of its own"
            yield Gap("over_current", rail, output, words)


def _by_hand(
    what: str,
    unit: str,
    rail: str,
    output: int,
    panel: FrontPanel | None,
    least: float,
    wanted: float | None,
) -> Gap:
    """One that the supply's front panel may set."""
    name = f"{what.replace('_', '-')} protection"
    level = getattr(panel, what) if panel is not None else None
    if level is None:
        return Gap(what, rail, output, f"no {name}")
    set_to = f"{name} set on the front panel to {render(level, unit, digits=3)}"
    most = math.inf if wanted is None else wanted
    if level > most * (1.0 + LEVEL_TOLERANCE):
        above = f"above the {render(most, unit, digits=3)} of the sequence"
        return Gap(what, rail, output, f"{set_to}, {above}")
    if level <= least:
        below = f"not above the {render(least, unit, digits=3)} of the rail"
        return Gap(what, rail, output, f"{set_to}, {below}")
    return Gap(what, rail, output, set_to, level)


def told(sequence: SequenceFile, view: BenchView, actions: Sequence[Action]) -> list[str]:
    """What a plan says beforehand: which protection the supplies lack, and what stands in."""
    protecting = next((action for action in actions if action.needs.protects), None)
    if protecting is None or not view.has("supply"):
        return []
    use = protecting.needs.supply
    found: dict[tuple[str, bool], list[str]] = {}
    for gap in gaps(view, use.over_voltage, use.over_current):
        found.setdefault((gap.words, gap.level is not None), []).append(gap.rail)
    trips = sorted({trip.quantity.replace("_", " ") for trip in sequence.trip})
    ours = f"the trips on {' and '.join(trips)}" if trips else "no trip"
    by_hand = "it is to be confirmed before power, and goes on record as the operator's word"
    alone = (
        f"the supply's current limit and {ours} stand in for it; the run is allowed: stay at the "
        "bench; the unit is held"
    )
    return [
        f"{' and '.join(rails)}: {words}: {by_hand if stands_in else alone}"
        for (words, stands_in), rails in found.items()
    ]
