"""What a stage does while it is overdriven, and what is left of that a moment later.

All other steps stay below clipping, or just reach it. Music does not: a stage that sticks to a rail
where it was cut off, and one that needs seconds to find its rest again, are heard at parties alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import WattsExpression
from seqrun.measure.bounds import Bounded
from seqrun.measure.changed import sticking_s
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.contact import TONE_HZ
from seqrun.steps.common.drive import SEEN, Drive, Waveform, across, record_of
from seqrun.steps.common.looked_at import told_of_each
from seqrun.steps.common.quiet_tone import (
    QuietTone,
    change_forecast,
    quiet_needs,
    silent_to_begin_with,
)
from seqrun.values import COVERAGE_FACTOR

#: times rated power: far enough into clipping for a unit that gives half as much again as its
#: rating; a tenth of a second of it warms no load
DEEP = 2.0
CYCLES, PER_CYCLE = 100, 200
PLANNED = 1.3  # times rated power, for which loads are planned: it lasts a tenth of a second
#: the quiet tone, as a part of rated power, and its frequency: where a stage that has lost its bias
#: is heard: feedback has half of what it has at 5 kHz (our own choice)
QUIET_PART, QUIET_HZ = 1.0 / 400.0, 10e3
RANGE = 1.15  # times the rail: an output swings no further

OVERLOAD_STICKS = Measurand(
    "overload_sticks",
    "s",
    title="sticking when overdriven",
    what=(
        "How long an overdriven output stays at the end where it was cut off, once the signal "
        "would have it come back."
    ),
    how=(
        "One channel after the other driven to twice its rated power for a tenth of a second. "
        "Between its ends the output follows a sine, which is fitted there: it tells how long of "
        "each period the output is to be near an end, and what it is longer is the reading."
    ),
    fooled_by=(
        "A unit that is not overdriven by twice its rated power does not stick. One that bends "
        "softly long before its end is near it for longer than a sine is."
    ),
    contact="The overdriven tone itself.",
)
OVERLOAD_CHANGE = Measurand(
    "overload_change",
    "V",
    title="change after an overload",
    what=(
        "By how much an output differs, DC, a quiet tone and all the rest together, a moment after "
        "it was overdriven from what it was before."
    ),
    how=(
        "As the change at low rails, with a tone of 10 kHz and a four-hundredth of rated power: "
        "before, and at once after a tenth of a second of twice rated power."
    ),
    fooled_by=(
        "What has come back within some tens of milliseconds, as long as the generator takes to be "
        "set, is not seen; the overdriven wave itself shows that."
    ),
    contact="The tone in the first look, and the overdriven tone itself.",
)


def kept_by(step_id: str) -> str:
    """Under which a step keeps what has changed."""
    return f"after an overload {step_id}"


class Overload(Step):
    """Overdrive one channel after the other for a tenth of a second.

    Trips do not look within that; the supply's own protection does.
    """

    kind: ClassVar[str] = "overload"
    yields: ClassVar = (judged(OVERLOAD_STICKS, "channel"),)

    power: WattsExpression | None = Field(
        None, description="that is asked for; twice rated_power if none"
    )

    def needs(self, view: BenchView) -> Needs:
        channels = self.channels(view)
        view.driven_alone(channels)
        needs = quiet_needs(view, channels, 1.2 * len(channels))
        watts = PLANNED * view.unit.rated_power
        record = needs.record and replace(needs.record, peak_v=RANGE * view.unit.rail_voltage)
        return replace(needs, load_power_w=dict.fromkeys(view.unit.channels, watts), record=record)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        u = 1.0 / (PER_CYCLE * TONE_HZ) / math.sqrt(3.0)
        return Forecast(0.0, COVERAGE_FACTOR * u, better="a scope of more memory")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        watts = DEEP * ctx.view.unit.rated_power
        if self.power is not None:
            watts = ctx.evaluate(self.power, "W")
        changes: dict[str, Bounded | str] = {}
        for channel in self.channels(ctx.view):
            try:
                wave, changes[channel] = self._overdriven(ctx, channel, watts)
                _see_overdriven(ctx.view, channel, wave)
                sticks = sticking_s(wave.volts, 1.0 / wave.dt_s, TONE_HZ, clipped=wave.clipped)
            except NotMeasured as reason:
                changes.setdefault(channel, reason.found)
                yield self.not_measured(OVERLOAD_STICKS, reason.found, channel=channel)
                continue
            yield self.reading(
                OVERLOAD_STICKS,
                sticks,
                channel=channel,
                instruments=(ctx.scope.name, ctx.generator.name),
                note=f"{watts:.3g} W asked for, {wave.rms_v:.3g} V",
            )
        ctx.keep(kept_by(self.id), changes)

    def _overdriven(
        self, ctx: Context, channel: str, watts: float
    ) -> tuple[Waveform, Bounded | str]:
        """The wave of an overdriven output, and what has changed at it afterwards.

        Raises:
            NotMeasured: it does not play.
        """
        quiet = QuietTone(ctx, (channel,), QUIET_HZ, _quiet_v(ctx.view))
        drive = quiet.drive
        try:
            before = quiet.at_rest()
            if not quiet.heard(channel, before[channel]):
                raise NotMeasured(silent_to_begin_with(channel), expected="a quiet tone")
            level = drive.level_for(channel, watts)
            drive.frequency_hz = TONE_HZ
            drive.set({channel: min(level, drive.most_level)})
            wave = self._record(ctx, quiet.drive, channel)
            now = quiet.looks()
            lost = not now[channel].clipped and not quiet.heard(channel, now[channel])
            # A stage that is deaf after it hears again; a lead that came off does not.
            if lost and not quiet.heard(channel, quiet.at_rest()[channel]):
                raise NotMeasured(
                    f"the tone has gone from out.{channel} and is not back",
                    expected="a tone through the same lead as before the overload",
                    hint="see to the probe; has a protection latched?",
                )
        finally:
            drive.stop()
        return wave, quiet.changes(before, now)[channel]

    @staticmethod
    def _record(ctx: Context, drive: Drive, channel: str) -> Waveform:
        """The output, straight away: a trip that looked at the supply now would see a current that
        is over before it could act."""
        hot, cold, _ = ctx.view.scope_on(f"out.{channel}")
        unit = ctx.view.unit
        cycles, per_cycle = record_of(CYCLES, PER_CYCLE, ctx.scope.max_points)
        got = ctx.scope.acquire(
            {n: RANGE * unit.rail_voltage for n in (hot, cold) if n is not None},
            sample_rate_hz=per_cycle * TONE_HZ,
            points=cycles * per_cycle,
            coupling=drive.coupling,
        )
        return across(got, hot, cold)


def _quiet_v(view: BenchView) -> float:
    """Of the quiet tone, V rms at an output."""
    return math.sqrt(QUIET_PART * view.unit.rated_power * view.unit.rated_load)


def _see_overdriven(view: BenchView, channel: str, wave: Waveform) -> None:
    """See that an output is loud.

    Raises:
        NotMeasured: it is not.
    """
    expected = SEEN * math.sqrt(view.unit.rated_power * view.unit.rated_load)
    if wave.rms_v < expected:
        raise NotMeasured(
            f"{wave.rms_v:.3g} V at out.{channel} where it should be overdriven",
            expected=f"more than {expected:.3g} V",
        )


class OverloadAfter(Step):
    """What has changed at an output that an ``overload`` step has overdriven."""

    kind: ClassVar[str] = "overload_after"
    yields: ClassVar = (judged(OVERLOAD_CHANGE, "channel"),)

    of: str = Field(description="id of an overload step")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return change_forecast(view, _quiet_v(view))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from told_of_each(
            self,
            ctx,
            OVERLOAD_CHANGE,
            kept_by(self.of),
            of=self.of,
            nothing="overdriven nothing",
            expected="an overload step that was done before this one",
            note="against what it was before the overload",
        )
