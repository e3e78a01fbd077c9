"""Whether the unit is the same, seconds after it was switched on again, as it was before.

All other steps read a unit that has been on for minutes, and was switched on once. What settles for
a while, and what comes up otherwise the second time, is over or not there yet when they look.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.changed import OutputState
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.looked_at import SWITCHED_ON, told_of_each
from seqrun.steps.common.quiet_tone import (
    Changes,
    QuietTone,
    change_forecast,
    silent_to_begin_with,
)

BEFORE = "quiet tone before it was switched off"

JUST_ON_CHANGE = Measurand(
    "just_on_change",
    "V",
    title="change by switching off and on",
    what=(
        "By how much an output differs, DC, a quiet tone and all the rest together, seconds after "
        "the unit was switched on again from what it was before it was switched off."
    ),
    how=(
        "As the change at low rails: a tone of 50 mV at the output before the unit is switched "
        "off, and again once the relays have closed, after the tones that try the contacts."
    ),
    fooled_by=(
        "What settles within the seconds that the relays take. A unit whose metal cools by kelvins "
        "meanwhile moves its DC by as many times what it drifts per kelvin."
    ),
    contact="The tone itself, seen through the same lead before and after.",
)


def kept_by(step_id: str) -> str:
    """Under which a step keeps what has changed."""
    return f"just on {step_id}"


def look_before(ctx: Context, channels: tuple[str, ...]) -> None:
    """Keep what every output gives now, before it is switched off; or why that is not known."""
    seen: dict[str, OutputState | str] = {}
    try:
        quiet = QuietTone(ctx, channels)
        try:
            for channel, one in quiet.at_rest().items():
                heard = quiet.heard(channel, one)
                seen[channel] = one if heard else silent_to_begin_with(channel)
        finally:
            quiet.stop()
    except NotMeasured as reason:
        seen = dict.fromkeys(channels, reason.found)
    ctx.keep(BEFORE, seen)


def look_after(ctx: Context, channels: tuple[str, ...]) -> Changes:
    """What has changed at every output since, V, or why that is not known."""
    kept = ctx.kept(BEFORE)
    before = kept if isinstance(kept, dict) else {}
    missing = "nobody has looked before it was switched off"
    known: dict[str, OutputState] = {}
    found: dict[str, Bounded | str] = {}
    for channel in channels:
        one = before.get(channel, missing)
        if isinstance(one, OutputState):
            known[channel] = one
        else:
            found[channel] = str(one)
    if not known:
        return found
    try:
        quiet = QuietTone(ctx, known)
        try:
            return found | quiet.changes(known, quiet.looks())
        finally:
            quiet.stop()
    except NotMeasured as reason:
        return found | dict.fromkeys(known, reason.found)


class JustOn(Step):
    """What a ``switching_thump`` step with ``when = "on"`` has seen to be otherwise than before
    the one with ``when = "off"``."""

    kind: ClassVar[str] = "just_on"
    yields: ClassVar = (judged(JUST_ON_CHANGE, "channel"),)

    of: str = Field(description='id of a switching_thump step with when = "on"')

    def needs(self, view: BenchView) -> Needs:
        return Needs(frozenset({"generator", "scope"}), seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return change_forecast(view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from told_of_each(
            self,
            ctx,
            JUST_ON_CHANGE,
            kept_by(self.of),
            of=self.of,
            nothing="looked at no quiet tone",
            expected=SWITCHED_ON,
            note="against what it was before it was switched off",
        )
