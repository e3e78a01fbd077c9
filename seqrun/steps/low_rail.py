"""Whether the unit plays on as it did when its rails are a little low, as mains that are low do it.

All other steps read a unit at its rated rails. A regulator that has no room left, and a guard of
the supply that is set too high, show at the lower end of what the mains may be alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured, WaitedInVain
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs, SupplyUse
from seqrun.plan.view import BenchView
from seqrun.steps.common.quiet_tone import (
    QuietTone,
    change_forecast,
    quiet_needs,
    silent_to_begin_with,
)

NEAR = 0.01  # of the rail: it has arrived
ARRIVES_S = 60.0  # reservoirs that nothing but a bleeder empties fall by a tenth in seconds
UP_STAGES = 10  # on the way back: reservoirs that charge are not to look like a short
LATER_S = 3.0  # beyond the longest delay that the sheet allows

LOW_RAIL_CHANGE = Measurand(
    "low_rail_change",
    "V",
    title="change at low rails",
    what=(
        "By how much an output changes, DC, a quiet tone and all the rest together, when the rails "
        "are lowered as far as mains that are low lower them."
    ),
    how=(
        "A tone of 50 mV in every output; one look at the rated rails, one at the lowered ones, on "
        "one range of the scope. The reading is the square root of the sum of the squares of three "
        "changes: of the DC, of the tone, and of what has come to the rest."
    ),
    fooled_by=(
        "A generator whose lowest levels come and go. A unit whose sheet gives the rails at low "
        "mains already. Of a bridge on a single rail, which is seen with AC coupling, no DC."
    ),
    contact="The tone in the first look; where the second shows none, the one at full rails again.",
)


class LowRail(Step):
    """Lower the rails, look at what every output gives, and raise them again."""

    kind: ClassVar[str] = "low_rail"
    yields: ClassVar = (judged(LOW_RAIL_CHANGE, "channel"),)

    part: float = Field(default=0.9, ge=0.7, le=0.98, description="of the rated rail")

    def needs(self, view: BenchView) -> Needs:
        needs = quiet_needs(view, self.channels(view), 4.0)
        return replace(
            needs,
            by_itself=frozenset({"supply"}),
            supply=SupplyUse(view.unit.rail_voltage),
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return change_forecast(view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        quiet = QuietTone(ctx, self.channels(ctx.view))
        rail = ctx.view.unit.rail_voltage
        try:
            before = quiet.at_rest()
            try:
                self._to(ctx, self.part * rail)
                now = quiet.whole()
            except NotMeasured:  # and nothing else: no rail is raised after a trip
                self._up_again(ctx, rail)
                raise
            self._up_again(ctx, rail)
            heard = {c for c, seen in before.items() if quiet.heard(c, seen)}
            gone = {c for c in heard if not now[c].clipped and not quiet.heard(c, now[c])}
            lost = self._lost(ctx, quiet, gone)
        finally:
            quiet.stop()
        found = quiet.changes(before, now)
        for channel, change in found.items():
            if channel not in heard or channel in lost:
                why = lost.get(channel, silent_to_begin_with(channel))
                yield self.not_measured(LOW_RAIL_CHANGE, why, channel=channel)
                continue
            yield self.reading(
                LOW_RAIL_CHANGE,
                change.value,
                channel=channel,
                bound=change.bound,
                instruments=(ctx.scope.name, ctx.supply.name),
                note=f"at {self.part:g} of the rated rails"
                + ("; the quiet tone was gone" if channel in gone else ""),
            )

    def _to(self, ctx: Context, volts: float) -> None:
        """Set all rails, and wait until they are there."""
        supply, rails = ctx.supply, ctx.view.rails
        for output in rails.values():
            supply.set_voltage(output, volts)

        def there() -> bool | None:
            seen = [abs(float(supply.voltage(n).nominal_value)) for n in rails.values()]
            ctx.progress(f"rails at {max(seen):.1f} V")
            near = all(abs(v - volts) <= NEAR * ctx.view.unit.rail_voltage for v in seen)
            return True if near else None

        what = f"the rails to come to {volts:.3g} V"
        ctx.wait_until(there, every_s=0.1, at_most_s=ARRIVES_S, what=what)

    def _up_again(self, ctx: Context, rail: float) -> None:
        for stage in range(1, UP_STAGES + 1):
            self._to(ctx, (self.part + (1.0 - self.part) * stage / UP_STAGES) * rail)

    def _lost(self, ctx: Context, quiet: QuietTone, gone: set[str]) -> dict[str, str]:
        """Outputs whose tone has gone and is not back at full rails: a lead may have come off."""
        if not gone:
            return {}
        back: set[str] = set()

        def all_back() -> bool | None:
            looks = quiet.looks()
            back.update(c for c in gone if quiet.heard(c, looks[c]))
            return True if back == gone else None

        try:
            ctx.wait_until(
                all_back,
                every_s=0.5,
                at_most_s=ctx.view.unit.relay_delay[1] + LATER_S,
                what="the tone to come back",
            )
        except WaitedInVain:
            why = "the tone has gone and is not back at full rails: see to the lead, and the relay"
            return dict.fromkeys(gone - back, why)
        return {}
