"""Whether an output gives way while it is loud for some seconds, as a short look cannot show."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.measure.power import supply_power
from seqrun.measure.transfer import MEANWHILE, held_fall_db
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds, render
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.drive import HEADROOM, SEEN, Drive, Waveform
from seqrun.steps.common.forecasts import BETTER_SCOPE, DB_PER_SHARE, decibels, moved_share
from seqrun.steps.common.tone import fundamental, peak_expected
from seqrun.values import Bound, normal

LOOK_CYCLES, LOOK_PER_CYCLE = 50, 40
#: of the power into the loads that fell silent: what the supply gives less when they are cut off,
#: at the least. A stage takes more than its load gets; half leaves room for a rail that rises.
CUT_OFF = 0.5
SILENT_DB = -20.0 * math.log10(SEEN)  # so far an output has fallen at the least
ASKING = 0.05  # of the power, with which it is asked whether the output is back
BACK_S = 15.0  # so long it may take where the sheet tells no delay of the relay
LATER_S = 3.0  # beyond the longest delay that the sheet allows

POWER_FALL = Measurand(
    "power_fall",
    "dB",
    title="fall of a held power",
    what=(
        "The furthest that an output falls below the level that it began with, while all channels "
        "are held at a power for some seconds."
    ),
    how=(
        "A sine at steady levels of the generator; the tone in each output by the scope, on one "
        "range, look after look, against the first. An output that falls silent counts where the "
        "supply gives less by it and the tone comes back by itself: a protection has let go."
    ),
    fooled_by="A supply at its current limit; a lead of the load that warms and moves.",
    contact="The driven tones themselves, and the current that they draw.",
)


@dataclass(slots=True)
class _LevelSeen:
    """What the looks at one output have shown: the tone's rms in each, V, and when that was, s
    since the power was there. ``silent``: it has fallen silent."""

    volts: list[float] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    silent: bool = False


@dataclass(slots=True)
class _PowerHeld:
    """How a power was held: of each channel what was seen, and what the supply gave at first, W."""

    drawn_w: float
    seen: dict[str, _LevelSeen]
    seconds: float = 0.0

    @property
    def silent(self) -> tuple[str, ...]:
        return tuple(c for c, one in self.seen.items() if one.silent)


class PowerFall(AtPower):
    """Hold a power for some seconds and see whether an output gives way.

    A protection that acts on what is loud for long, and a contact or a part that warms at once, do
    not show in the second that a power is read in. Nobody watches the heatsink meanwhile: a
    ``sustained_power`` step holds a power for minutes.
    """

    kind: ClassVar[str] = "power_fall"
    yields: ClassVar = (judged(POWER_FALL, "channel"),)

    hold: Seconds = Field(
        15.0, alias="for", ge=2.0, le=60.0, description='how long, such as "15 s"'
    )
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    every: Seconds = Field(default=0.5, gt=0.0, le=5.0)

    def needs(self, view: BenchView) -> Needs:
        needs = self.needs_at_power(view, self.hold + 3.0)
        return replace(needs, by_itself=frozenset({"scope", "supply"}))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # Two looks within a minute, on one range: what is off is off in both.
        return decibels(moved_share(view, self.planned_watts(view)), 0.0, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        watts = self.watts(ctx)
        try:
            drive.to_power(watts)
            held = self._hold(ctx, drive)
            why = self._cut_off(ctx, drive, held, watts) if held.silent else ""
        finally:
            drive.stop()
        for channel, seen in held.seen.items():
            yield self._reading(ctx, channel, seen, held, why)

    def _hold(self, ctx: Context, drive: Drive) -> _PowerHeld:
        held = _PowerHeld(_drawn_w(ctx), {c: _LevelSeen() for c in drive.channels})
        begun = ctx.clock.now()
        peak_v = HEADROOM * max(peak_expected(drive, c) for c in drive.channels)

        def over() -> bool | None:
            waves = drive.capture(
                peak_v=peak_v, cycles=LOOK_CYCLES, per_cycle=LOOK_PER_CYCLE, may_be_silent=True
            )
            held.seconds = ctx.clock.now() - begun
            for channel, wave in waves.items():
                _note(held, channel, wave, drive)
            share = min(held.seconds / self.hold, 1.0)
            ctx.progress(f"held for {held.seconds:.0f} s", share)
            return True if held.silent or held.seconds >= self.hold else None

        ctx.wait_until(
            over, every_s=self.every, at_most_s=self.hold + 30.0, what="the power to be held"
        )
        return held

    def _cut_off(self, ctx: Context, drive: Drive, held: _PowerHeld, watts: float) -> str:
        """How it was seen that a protection has let go, and not a lead.

        Raises:
            NotMeasured: it was not.
        """
        silent = " and ".join(f"out.{c}" for c in held.silent)
        gone = f"the tone has gone from {silent} after {held.seconds:.0f} s"
        fell = held.drawn_w - _drawn_w(ctx)
        if fell < CUT_OFF * watts * len(held.silent):
            raise NotMeasured(
                f"{gone}, and the supply gives as much as before",
                expected="a tone as long as it is driven",
                where=silent,
                hint="see to the probe of that output",
            )
        drive.stop()
        since = ctx.clock.now()
        levels = {c: level * math.sqrt(ASKING) for c, level in drive.levels.items()}
        delay = ctx.view.unit.relay_delay[1]

        def back() -> float | None:
            drive.set(levels)
            waves = drive.capture(cycles=LOOK_CYCLES, per_cycle=LOOK_PER_CYCLE, may_be_silent=True)
            expected = {c: drive.levels[c] * drive.gain[c] for c in held.silent}
            there = all(waves[c].rms_v > SEEN * volts for c, volts in expected.items())
            return ctx.clock.now() - since if there else None

        try:
            came_s = ctx.wait_until(
                back,
                every_s=self.every,
                at_most_s=(delay if delay > 0.0 else BACK_S) + LATER_S,
                what=f"the tone at {silent} to come back",
            )
        except NotMeasured as reason:
            raise NotMeasured(
                f"{gone} and has not come back",
                expected="a tone as long as it is driven",
                where=silent,
                hint="has the protection latched (switch off, and on again), or has the "
                "generator's lead come off?",
            ) from reason
        return f"let go after {held.seconds:.0f} s, back {came_s:.0f} s later"

    def _reading(
        self, ctx: Context, channel: str, seen: _LevelSeen, held: _PowerHeld, why: str
    ) -> Yielded:
        moved = moved_share(ctx.view, self.watts(ctx))
        if seen.silent:
            return self.reading(
                POWER_FALL,
                normal(SILENT_DB, DB_PER_SHARE * moved, MEANWHILE),
                channel=channel,
                bound=Bound.AT_LEAST,
                instruments=(ctx.scope.name, ctx.supply.name),
                note=why,
            )
        if held.silent:
            return self.not_measured(
                POWER_FALL,
                f"held for {held.seconds:.0f} s alone: another output fell silent",
                channel=channel,
            )
        fall, lowest = held_fall_db(seen.volts, moved)
        return self.reading(
            POWER_FALL,
            fall,
            channel=channel,
            instruments=(ctx.scope.name,),
            note=f"{render(self.hold, 's')} held, lowest after {seen.at_s[lowest]:.0f} s",
        )


def _note(held: _PowerHeld, channel: str, wave: Waveform, drive: Drive) -> None:
    """Keep what a look has shown of one output."""
    seen = held.seen[channel]
    expected = seen.volts[0] if seen.volts else drive.levels[channel] * drive.gain[channel]
    seen.silent = wave.rms_v < SEEN * expected
    if not seen.silent:
        seen.volts.append(float(fundamental(wave, drive.frequency_hz).nominal_value))
        seen.at_s.append(held.seconds)


def _drawn_w(ctx: Context) -> float:
    """What the supply gives now, W."""
    supply, outputs = ctx.supply, ctx.view.rails.values()
    drawn = supply_power([supply.voltage(n) for n in outputs], [supply.current(n) for n in outputs])
    return float(drawn.nominal_value)
