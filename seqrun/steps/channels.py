"""Whether each input is heard at its own output, and the right way up."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

import numpy as np
from pydantic import Field
from uncertainties import UFloat, umath

from seqrun.errors import NotMeasured
from seqrun.measure.polarity import burst_polarity, likeness_of
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Volts
from seqrun.steps.common.drive import SEEN, Drive, Waveform, drive_needs
from seqrun.steps.common.forecasts import BETTER_SCOPE, decibels, scope_share
from seqrun.steps.common.generator_reach import plays_bursts
from seqrun.values import Bound, exactly

ROOM = 2.5  # of the range over the tone that is expected: twice the gain still fits
PERIOD = 20  # cycles from one burst to the next
PER_CYCLE = 40


class _OneByOne(Step):
    """A small tone into one input after another, with the scope on every output."""

    frequency: Hertz = Field(default=1000.0, gt=0.0)
    output: Volts = Field(default=1.0, gt=0.0, description="expected at the output, V rms")

    def needs(self, view: BenchView) -> Needs:
        power = (2.0 * self.output) ** 2 / view.unit.rated_load
        return drive_needs(view, view.unit.channels, power, seconds=0.5 * len(self.channels(view)))

    def peak_v(self) -> float:
        return ROOM * math.sqrt(2.0) * self.output


OWN_CHANNEL = Measurand(
    "own_channel",
    "dB",
    title="own output over any other",
    what=(
        "How much louder the output of the driven channel is than that of any other channel: far "
        "above 0 dB, or the channels are crossed somewhere between input and terminals."
    ),
    how=(
        "A small tone into one input at a time, the other inputs terminated by the generator at no "
        "level; the scope on all outputs at once."
    ),
    fooled_by=(
        "The generator's two leads, or two probes, swapped on the bench itself: look at them first."
    ),
)


class OwnChannel(_OneByOne):
    """See that each input is heard at its own output and not at another channel's."""

    kind: ClassVar[str] = "own_channel"
    yields: ClassVar = (judged(OWN_CHANNEL, "channel"),)

    def needs(self, view: BenchView) -> Needs:
        view.driven_alone(self.channels(view))
        return super().needs(view)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return decibels(math.sqrt(2.0) * scope_share(view, self.output), 40.0, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        for channel in self.channels(ctx.view):
            drive = Drive(ctx, self.frequency)
            try:
                drive.terminate()
                before = drive.capture(peak_v=self.peak_v())
                drive.set({channel: self.output / drive.gain[channel]})
                waves = drive.capture(peak_v=self.peak_v())
            finally:
                drive.stop()
            yield self._answer(ctx, channel, waves, before)

    def _answer(
        self,
        ctx: Context,
        channel: str,
        waves: dict[str, Waveform],
        before: dict[str, Waveform],
    ) -> Yielded:
        levels = {c: _tone(wave, before[c]) for c, wave in waves.items()}
        others = [c for c in levels if c != channel]
        least = SEEN * self.output
        if all(float(levels[c].nominal_value) < 0.1 * least for c in levels):
            return self.not_measured(
                OWN_CHANNEL, f"a tone at in.{channel} is heard at no output", channel=channel
            )
        if not others:
            return self.not_measured(OWN_CHANNEL, "the unit has one channel", channel=channel)
        loudest = max(others, key=lambda c: float(levels[c].nominal_value))
        ratio = 20.0 * umath.log10(levels[channel] / levels[loudest])
        crossed = float(ratio.nominal_value) < 0.0
        quiet = loudest if not crossed else channel
        buried = float(levels[quiet].nominal_value) <= 2.0 * _floor(waves[quiet])
        told = f"in.{channel} driven: out.{loudest} answers" if crossed else f"over out.{loudest}"
        exact = Bound.AT_MOST if crossed else Bound.AT_LEAST
        return self.reading(
            OWN_CHANNEL,
            ratio,
            channel=channel,
            bound=exact if buried else Bound.EXACT,
            instruments=(ctx.scope.name,),
            note=told,
        )


def _tone(wave: Waveform, before: Waveform) -> UFloat:
    """What the drive has added to an output, V rms; no less than the converter tells."""
    added = math.sqrt(max(wave.rms_v**2 - before.rms_v**2, 0.0))
    return wave.gain * exactly(max(added, _floor(wave)))


def _floor(wave: Waveform) -> float:
    return wave.lsb_v / math.sqrt(12.0)


POLARITY = Measurand(
    "polarity",
    "",
    what=(
        "Whether an output moves the way its input does: +1 as the unit sheet says, −1 inverted. "
        "One inverted channel of two takes the bass out of the room."
    ),
    how=(
        "One cycle of a sine at a time into the input, beginning upwards; the output is compared "
        "with it, delay left free, and the correlation of the two is the reading. A generator "
        "without bursts plays a sine, and a probe on the input tells how it stands to the output."
    ),
    fooled_by=(
        "A generator whose bursts begin downwards; a probe or a load lead on the wrong terminal of "
        "a bridge; a unit that inverts by design, which its sheet has to say."
    ),
)


class Polarity(_OneByOne):
    """Polarity of each channel: the output against the input."""

    kind: ClassVar[str] = "polarity"
    yields: ClassVar = (judged(POLARITY, "channel"),)

    def needs(self, view: BenchView) -> Needs:
        needs = super().needs(view)
        if plays_bursts(view):
            return needs
        first = view.scope_on(f"in.{self.channels(view)[0]}")[2]
        return replace(needs, hookups=(*needs.hookups, first))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return Forecast(1.0, 0.05, better="a slower burst")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        sign = -1.0 if ctx.view.unit.inverting else 1.0
        for channel in self.channels(ctx.view):
            try:
                found = (
                    self._burst(ctx, channel)
                    if plays_bursts(ctx.view)
                    else self._sine(ctx, channel)
                )
            except NotMeasured as reason:
                yield self.not_measured(POLARITY, reason.found, channel=channel)
                continue
            upright = float(found.nominal_value) * sign > 0.0
            yield self.reading(
                POLARITY,
                sign * found,
                channel=channel,
                instruments=(ctx.scope.name, ctx.generator.name),
                note="as the sheet says" if upright else "inverted",
            )

    def _burst(self, ctx: Context, channel: str) -> UFloat:
        drive = Drive(ctx, self.frequency, (channel,))
        output, generator = drive.outputs[channel], ctx.generator
        generator.burst(
            output,
            self.frequency,
            self.output / drive.gain[channel],
            1,
            PERIOD / self.frequency,
        )
        generator.enable(output, True)
        try:
            wave = drive.capture(
                peak_v=self.peak_v(), cycles=round(2.5 * PERIOD), per_cycle=PER_CYCLE
            )[channel]
        finally:
            drive.stop()
        _heard(wave, 0.1 * self.output, channel)
        return burst_polarity(wave.volts, 1.0 / wave.dt_s, self.frequency)

    def _sine(self, ctx: Context, channel: str) -> UFloat:
        """By a probe on the input: the sign of the output's part that is in phase with it."""
        drive = Drive(ctx, self.frequency, (channel,))
        beside, _, hookup = ctx.view.scope_on(f"in.{channel}")
        if beside in drive.probes[channel]:
            raise NotMeasured(
                "no probe is left for the input", expected="a scope channel beside the output's"
            )
        ctx.connect(hookup)
        try:
            drive.set({channel: self.output / drive.gain[channel]})
            wave = drive.capture(peak_v=self.peak_v(), beside=beside)[channel]
        finally:
            drive.stop()
        _heard(wave, SEEN * self.output, channel)
        assert drive.beside is not None, "it was asked for"
        a = wave.volts - wave.volts.mean()
        b = drive.beside - drive.beside.mean()
        length = math.sqrt(float(a @ a) * float(b @ b))
        found = float(a @ b) / length if length > 0.0 else 0.0
        if abs(found) < 0.2:
            raise NotMeasured(
                f"input and output have little in common (correlation {found:.2f})",
                expected="a tone at both",
            )
        return likeness_of(found, float(np.size(a)) / PER_CYCLE)


def _heard(wave: Waveform, least_v: float, channel: str) -> None:
    """See that there is something to tell the polarity of.

    Raises:
        NotMeasured: the output is silent.
    """
    if wave.rms_v < least_v:
        raise NotMeasured(
            f"out.{channel} gives {wave.rms_v:.2g} V", expected="the tone that its input gets"
        )
