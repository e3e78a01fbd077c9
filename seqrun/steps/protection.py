"""Whether the speaker protection really opens on DC, where the sheet says how to try it safely."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured, UsageError
from seqrun.measure.transfer import decibels
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.protection import DISCHARGED_V
from seqrun.plan.view import BenchView
from seqrun.quantity import Seconds, Volts, render
from seqrun.steps.common.drive import Drive, drive_needs
from seqrun.steps.common.forecasts import near_limit, scope_share
from seqrun.steps.common.raising import RaisesRails
from seqrun.values import COVERAGE_FACTOR, Bound, normal

CONTROL = "protection_test"
PER_CYCLE, CYCLES = 50, 10
LEAST_V = 0.02  # what is left of the tone is told no lower
#: an output with less of the tone than this share is silent, one with more has it back
SILENT, BACK = 0.3, 0.5
LATER_S = 3.0  # beyond the relay delay of the sheet, until a tone that is not back does not come

PROTECTION_OPENS = Measurand(
    "protection_opens",
    "dB",
    title="speaker protection on DC",
    what=(
        "By how much a small tone at the output falls once the speaker protection of the channel "
        "is given DC on its sense line: far when it opens, not at all when it is blind."
    ),
    how=(
        "A small tone plays; whoever is at the bench gives the DC as the unit sheet tells "
        "(protection_test); the output is looked at for the time that the step waits. Once it is "
        "silent the DC is taken off, the rails go down and up, and the tone has to come back."
    ),
    fooled_by=(
        "DC that is not where the sheet wants it: then a good protection looks blind. A protection "
        "that was tripped before: the tone has to be there to begin with."
    ),
    contact=(
        "The tone itself, seen before the DC is given and once more when the rails have been down: "
        "a probe that came off while the DC was given is as silent as a protection that opens."
    ),
)


class ProtectionOpens(RaisesRails):
    """Give the speaker protection of a channel DC, and see its output go silent.

    Only for a unit whose sheet tells how (``protection_test``). A protection that has opened stays
    so until the rails have been down, and often opens every output at once: so the step lowers the
    rails and raises them again, and the next channel begins with a tone.
    """

    kind: ClassVar[str] = "protection_opens"
    yields: ClassVar = (judged(PROTECTION_OPENS),)

    within: Seconds = Field(default=2.0, gt=0.0, description="it has to open in this time")
    output: Volts = Field(default=0.5, gt=0.0, description="the tone at the output, V rms")
    down_for: Seconds = Field(
        default=5.0, ge=0.0, description="the rails are left down for at least so long"
    )

    def needs(self, view: BenchView) -> Needs:
        if view.unit.protection_test is None or not self.channel:
            raise UsageError(
                f"the sheet of {view.unit.model} does not tell how to try its speaker protection"
                if view.unit.protection_test is None
                else f"'{self.id}' is for all channels at once",
                expected='each = "channel", and a unit sheet with protection_test = "how"',
                where=self.id,
                hint='if_unit_has = "a protection that can be tried" leaves it out for others',
            )
        watts = self.output**2 / view.unit.rated_load
        needs = drive_needs(
            view,
            (self.channel,),
            watts,
            seconds=8.5 + self.down_for + self.stages + view.unit.relay_delay[0],
            points=PER_CYCLE * CYCLES,
        )
        return replace(
            needs,
            acts=2,
            by_itself=frozenset({"supply"}),
            energises=True,
            supply=self.supply_use(view),
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        value = near_limit(self, view, 20.0)
        share = math.sqrt(2.0) * scope_share(view, self.output)
        return Forecast(value, COVERAGE_FACTOR * 8.7 * share, better="a better scope")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = Drive(ctx, 1000.0, (self.channel,))
        try:
            drive.set({self.channel: self.output / drive.gain[self.channel]})
            before = self._to_begin_with(ctx, drive)
            words = f"{ctx.view.unit.protection_test} - channel {self.channel}, load on, no speaker"
            ctx.turn(CONTROL, self.channel, words)
            try:
                left = self._left(ctx, drive, before)
            finally:
                ctx.turn(CONTROL, "off", "the DC taken off again")
        finally:
            drive.stop()
        if left < SILENT * before:
            self._rails_down(ctx)
            ctx.powering()
            self.raise_rails(ctx)
            self._await_tone(ctx, drive, before)
        share = normal(0.0, scope_share(ctx.view, self.output), "two looks through one scope")
        fallen = decibels((before / max(left, LEAST_V)) * (1.0 + share))
        yield self.reading(
            PROTECTION_OPENS,
            fallen,
            channel=self.channel,
            bound=Bound.AT_LEAST if left < LEAST_V else Bound.EXACT,
            instruments=(ctx.scope.name,),
            note=f"looked at for {self.within:g} s",
        )

    def _to_begin_with(self, ctx: Context, drive: Drive) -> float:
        """The tone, V rms, once there is one: the rails may just have come up again for another
        channel, whose relay closed sooner.

        Raises:
            NotMeasured: none comes.
        """
        found = 0.0

        def there() -> bool | None:
            nonlocal found
            found = self._rms_v(drive)
            return True if found >= SILENT * self.output else None

        try:
            ctx.wait_until(
                there,
                every_s=0.25,
                at_most_s=ctx.view.unit.relay_delay[1] + LATER_S,
                what=f"a tone at out.{self.channel}",
            )
        except NotMeasured:
            raise NotMeasured(
                f"no tone at out.{self.channel} to begin with",
                expected="a relay that is closed",
                where=self.id,
                hint="the rails have to be down once after a protection has acted",
            ) from None
        return found

    def _left(self, ctx: Context, drive: Drive, before: float) -> float:
        """What is left of the tone once it has fallen, or at the end of the wait, V rms."""
        until = ctx.clock.now() + self.within
        left = before

        def over() -> bool | None:
            nonlocal left
            left = self._rms_v(drive)
            return True if left < LEAST_V or ctx.clock.now() >= until else None

        ctx.wait_until(
            over, every_s=0.1, at_most_s=self.within + 30.0, what="the protection to open"
        )
        return left

    def _rails_down(self, ctx: Context) -> None:
        supply, rails = ctx.supply, ctx.view.rails
        supply.enable(False)
        ctx.powered_off()
        since = ctx.clock.now()

        def down() -> bool | None:
            volts = max(abs(float(supply.voltage(n).nominal_value)) for n in rails.values())
            ctx.progress(f"rails at {render(volts, 'V', digits=2)}")
            rested = ctx.clock.now() - since >= self.down_for
            return True if rested and volts < DISCHARGED_V else None

        ctx.wait_until(down, every_s=0.5, at_most_s=120.0, what="the rails to go down")

    def _await_tone(self, ctx: Context, drive: Drive, before: float) -> None:
        """See the tone once more through the probe that saw it go.

        Raises:
            NotMeasured: it does not come back.
        """
        drive.set(drive.levels)

        def back() -> bool | None:
            return True if self._rms_v(drive) > BACK * before else None

        try:
            ctx.wait_until(
                back,
                every_s=0.25,
                at_most_s=ctx.view.unit.relay_delay[1] + LATER_S,
                what="the tone to come back",
            )
        except NotMeasured:
            raise NotMeasured(
                f"the tone did not come back at out.{self.channel} once the rails had been down: "
                "its silence may be a probe that came off",
                expected="the tone through the same probe as before the DC was given",
                where=self.id,
                hint="see to the probe, and that the DC is off the sense line",
            ) from None
        finally:
            drive.stop()

    def _rms_v(self, drive: Drive) -> float:
        waves = drive.capture(cycles=CYCLES, per_cycle=PER_CYCLE, may_be_silent=True)
        return waves[self.channel].rms_v
