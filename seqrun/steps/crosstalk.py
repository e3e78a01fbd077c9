"""What of a signal appears where it should not: channel separation, input leakage."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.lines import tone_in_noise
from seqrun.measure.sinefit import fit_sine_4
from seqrun.measure.transfer import separation_db
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.dirt import own_leak
from seqrun.steps.common.drive import Drive, across
from seqrun.steps.common.forecasts import BETTER_SCOPE, decibels, scope_share
from seqrun.steps.common.inputs import generator_to, turned
from seqrun.steps.common.listening import Listening
from seqrun.values import Bound

RATE_HZ = 100e3  # samples per second, more for tones above
PER_CYCLE = 10
LEAST_S = 0.5  # of a record: the longer, the deeper below the noise a tone is found
START_V = 0.05  # peak that is looked for first on a quiet output


class _Leak(AtPower):
    """A strong tone here and what of it is there."""

    frequency: Hertz = Field(default=1000.0, gt=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return decibels(math.sqrt(2.0) * scope_share(view, 1.0), 60.0, BETTER_SCOPE)

    def loud(self, drive: Drive) -> tuple[dict[str, UFloat], float]:
        """rms of the tone at each driven output, V, and its frequency by the scope's clock."""
        found, frequency = {}, self.frequency
        for channel, wave in drive.capture().items():
            fit = fit_sine_4(
                wave.volts, 1.0 / wave.dt_s, self.frequency, gain=wave.gain, clipped=wave.clipped
            )
            found[channel] = fit.rms
            frequency = float(fit.frequency_hz.nominal_value)
        return found, frequency

    def quiet(self, ctx: Context, channel: str, frequency_hz: float) -> Bounded:
        """rms of the tone at an output that should be silent, on the range that fits it."""
        hot, cold = ctx.view.scope_on(f"out.{channel}")[:2]
        rate = max(RATE_HZ, PER_CYCLE * self.frequency)
        peak = START_V
        while True:
            ctx.poll()
            got = ctx.scope.acquire(
                {n: peak for n in (hot, cold) if n is not None},
                sample_rate_hz=rate,
                points=min(round(rate * LEAST_S), ctx.scope.max_points),
                coupling="AC",
            )
            wave = across(got, hot, cold)
            if not wave.clipped:
                return tone_in_noise(
                    wave.volts, 1.0 / wave.dt_s, frequency_hz, gain=wave.gain, clipped=wave.clipped
                )
            peak *= 5.0
            if peak > 2.0 * ctx.view.unit.largest_peak:
                raise NotMeasured(
                    f"out.{channel} swings over its whole range",
                    expected="an output that is not driven",
                    where=f"out.{channel}",
                )

    def result(
        self,
        ctx: Context,
        channel: str,
        loud: UFloat,
        quiet: Bounded,
        before: Bounded,
        note: str,
    ) -> Yielded:
        """How far the quiet one lies below the loud one, dB."""
        quiet = Bounded(quiet.value + own_leak(ctx, loud), quiet.bound)
        if quiet.bound is Bound.AT_MOST:
            found = Bounded(separation_db(loud, quiet.value).value, Bound.AT_LEAST)
        else:
            # A hum line at this very frequency is no leak.
            floor = before.value if before.bound is Bound.EXACT else None
            found = separation_db(loud, quiet.value, floor)
        return self.reading(
            self.judges[0],
            found.value,
            channel=channel,
            bound=found.bound,
            instruments=(ctx.scope.name,),
            note=note,
        )


CHANNEL_SEPARATION = Measurand(
    "channel_separation",
    "dB",
    what="How far below a driven channel its tone lies in a channel that is not driven.",
    how=(
        "One channel at the stated power; the tone is picked out of the other's noise at its "
        "own frequency. 'At least' when it drowns in that noise. Each channel is driven in turn."
    ),
    fooled_by=(
        "A common ground lead of the two loads or of the generator couples the channels on "
        "the bench itself, and so does the scope from channel to channel (its data sheet calls "
        "it isolation); an input left open picks the other one up."
    ),
    contact=(
        "A tone seen at the silent output through the same lead before the other channel is driven "
        "and once more after; the tone of the driven one, seen again after the silent one was read."
    ),
)


class ChannelSeparation(_Leak):
    """Channel separation: one channel driven, and how far below it each other one lies.

    The generator stays on the inputs that are not driven, at no level, as their termination.
    """

    kind: ClassVar[str] = "channel_separation"
    yields: ClassVar = (judged(CHANNEL_SEPARATION, "several", each="pair of channels"),)

    def needs(self, view: BenchView) -> Needs:
        view.driven_alone(self.channels(view))
        needs = self.needs_at_power(view, 2.7 * len(view.unit.channels))
        watts = self.planned_watts(view)
        return replace(needs, load_power_w=dict.fromkeys(view.unit.channels, watts))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        everyone = tuple(ctx.view.unit.channels)
        if len(everyone) < 2:
            raise NotMeasured(
                "one channel alone has nothing to be separated from",
                expected="a unit of two channels or more",
                where=self.id,
            )
        for driven in self.channels(ctx.view):
            others = [c for c in everyone if c != driven]
            ears = [
                Listening(ctx, f"out.{other}", sample_rate_hz=RATE_HZ, seconds=LEAST_S)
                for other in others
            ]
            for ear in ears:
                ear.prove()
            drive = Drive(ctx, self.frequency, (driven,))
            terminated = Drive(ctx, self.frequency, others)
            try:
                terminated.terminate()
                before = {c: self.quiet(ctx, c, self.frequency) for c in others}
                drive.to_power(self.watts(ctx))
                loud, frequency = self.loud(drive)
                quiet = {c: self.quiet(ctx, c, frequency) for c in others}
                drive.capture(must_play=True)  # the tone that should have leaked is still there
            finally:
                drive.stop()
                terminated.stop()
            for ear in ears:
                ear.prove(again=True)
            for other in others:
                yield self.result(
                    ctx,
                    f"{driven}/{other}",
                    loud[driven],
                    quiet[other],
                    before[other],
                    f"{self.frequency:g} Hz, {driven} driven",
                )


INPUT_LEAKAGE = Measurand(
    "input_leakage",
    "dB",
    what=("How far a signal on an input that is not selected lies below the same signal selected."),
    how=(
        "The generator on one input; the output is read with that input selected and then "
        "with another one, picking the tone out of the noise at its own frequency, and once more "
        "with no tone; then the first input is selected again to see the tone, the other one last."
    ),
    fooled_by=(
        "The selected input left open picks the signal up: short it. High frequencies leak "
        "more than low ones."
    ),
    contact=(
        "The same lead shows the tone with the input selected, in the same step: before the output "
        "is read silent and after."
    ),
)


class InputLeakage(_Leak):
    """Input leakage: a signal on one input, and how much of it comes through with another
    input selected.
    """

    kind: ClassVar[str] = "input_leakage"
    yields: ClassVar = (judged(INPUT_LEAKAGE, "channel"),)

    input: str = Field(description="the input that carries the signal, such as aux")
    selected: str = Field(description="the input that is selected instead, such as line")
    control: str = Field("input", description="the selector")

    def needs(self, view: BenchView) -> Needs:
        needs = self.needs_at_power(view, 3.5)
        hookups = tuple(generator_to(view, c, self.input) for c in self.channels(view))
        return replace(needs, hookups=(*needs.hookups, *hookups), acts=3 + len(hookups))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        channels = self.channels(ctx.view)
        drive = Drive(ctx, self.frequency, channels)
        try:
            turned(ctx, self.control, self.input)
            drive.to_power(self.watts(ctx))
            loud, frequency = self.loud(drive)
            levels = dict(drive.levels)
            turned(ctx, self.control, self.selected)
            quiet = {c: self.quiet(ctx, c, frequency) for c in channels}
            drive.terminate()
            before = {c: self.quiet(ctx, c, self.frequency) for c in channels}
            drive.set(levels)
            turned(ctx, self.control, self.input)
            drive.capture(must_play=True)  # by the leads that were quiet
            turned(ctx, self.control, self.selected)
        finally:
            drive.stop()
            ctx.connect(*(generator_to(ctx.view, c, "") for c in channels))
        for channel in channels:
            yield self.result(
                ctx,
                channel,
                loud[channel],
                quiet[channel],
                before[channel],
                f"{self.input} while {self.selected} is selected, {self.frequency:g} Hz",
            )
