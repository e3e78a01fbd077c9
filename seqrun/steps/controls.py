"""Steps that set the unit's controls and sockets, and that read what a control does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured, UsageError
from seqrun.measure import transfer
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.drive import Drive, Waveform, across
from seqrun.steps.common.forecasts import BETTER_SCOPE, decibels, gain_share, scope_share
from seqrun.steps.common.inputs import generator_to, turned
from seqrun.steps.common.tone import at_input, fundamental, seen

LIFT = 6.0  # times: the most that a control is expected to lift by


class SetControl(Step):
    """Have a control, switch or plug of the unit set, and leave it so."""

    kind: ClassVar[str] = "set_control"
    yields: ClassVar = ()

    control: str = Field(description='such as "volume"')
    to: str = Field(description='its position, such as "1" or "line"')
    words: str = Field("", description="more for the operator, such as how to find the position")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0, acts=1)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        turned(ctx, self.control, self.to, self.words)
        yield from ()


class GeneratorTo(Step):
    """The generator's leads onto one of the inputs, or back to where they are fixed."""

    kind: ClassVar[str] = "generator_to"
    yields: ClassVar = ()

    input: str = Field(
        "", description='an input of the unit, such as "line"; "": where it is fixed'
    )

    def needs(self, view: BenchView) -> Needs:
        leads = tuple(generator_to(view, channel, self.input) for channel in view.unit.channels)
        return Needs(roles=frozenset({"generator"}), hookups=leads, seconds=0.1)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from ()


CONTROL_EFFECT = Measurand(
    "control_effect",
    "dB",
    what="How much louder the output is with a control at one position than at another.",
    how="A sine at one level; the output at both positions, the first one last again.",
    fooled_by="Other controls out of place; a lifted level that clips.",
    contact="The driven tone itself, with the control in both positions.",
)


class ControlEffect(AtPower):
    """By how much a control changes the output at one frequency between two of its positions.

    With the balance control the change of each channel is read; a loudness switch is read off and
    on.
    """

    kind: ClassVar[str] = "control_effect"
    yields: ClassVar = (judged(CONTROL_EFFECT, "channel"),)

    control: str
    start: str = Field(alias="from", description="the position that it is read against")
    to: str = Field(description="the position that is read")
    frequency: Hertz = Field(default=1000.0, gt=0.0)

    def needs(self, view: BenchView) -> Needs:
        return replace(self.needs_at_power(view, 3.5, LIFT**2), acts=3)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return decibels(2.0**0.5 * scope_share(view, 1.0), 0.0, BETTER_SCOPE)

    def planned_watts(self, view: BenchView) -> float:
        if self.power is None:
            return view.unit.rated_power / (2.0 * LIFT**2)
        return super().planned_watts(view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        found: dict[str, UFloat] = {}
        try:
            ctx.turn(self.control, self.start)
            drive.to_power(self.watts(ctx))
            before = {c: fundamental(w, self.frequency) for c, w in drive.capture().items()}
            gain = dict(drive.gain)
            ctx.turn(self.control, self.to)
            drive.gain = {c: LIFT * g for c, g in gain.items()}
            for channel, wave in seen(drive).items():
                if wave.clipped:
                    raise NotMeasured(
                        f"{self.control} at {self.to} lifts by more than {LIFT:g} times",
                        where=f"out.{channel}",
                    )
                found[channel] = fundamental(wave, self.frequency)
            ctx.turn(self.control, self.start)
        finally:
            drive.stop()
        for channel, level in found.items():
            yield self.reading(
                CONTROL_EFFECT,
                transfer.decibels(level / before[channel]),
                channel=channel,
                instruments=(ctx.scope.name,),
                note=f"{self.control} from {self.start} to {self.to}, {self.frequency:g} Hz",
            )


GAIN_TO_POINT = Measurand(
    "gain_to_point",
    "dB",
    title="gain to the point",
    what="Voltage at a point over the voltage at the input, as the headphone output has it.",
    how="A sine that gives a small power into the load; a probe on the point.",
    fooled_by=(
        "A headphone output is fed through a resistor: without headphones on it, it shows the "
        "whole voltage."
    ),
)


class GainTo(AtPower):
    """Voltage gain from the input to a point other than the speaker output, such as a headphone
    contact."""

    kind: ClassVar[str] = "gain_to"
    yields: ClassVar = (judged(GAIN_TO_POINT),)

    at: str
    frequency: Hertz = Field(default=1000.0, gt=0.0)

    def needs(self, view: BenchView) -> Needs:
        if not self.channel:
            raise UsageError(
                "gain_to is about one channel", expected='each = "channel"', where=self.id
            )
        needs = self.needs_at_power(view, 0.7)
        hookup = view.scope_on(self.at)[2]
        return replace(needs, hookups=(*needs.hookups, hookup))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        one = gain_share(view, self.planned_watts(view))
        return decibels(one, view.unit.gain, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        try:
            drive.to_power(self.watts(ctx))
            wave = self._at_point(ctx, drive)
        finally:
            drive.stop()
        ratio = fundamental(wave, self.frequency) / at_input(ctx, drive, self.channel)
        yield self.reading(
            GAIN_TO_POINT,
            transfer.decibels(ratio),
            channel=self.channel,
            instruments=(ctx.scope.name, ctx.generator.name),
            note=f"to {self.at}, {self.frequency:g} Hz",
        )

    def _at_point(self, ctx: Context, drive: Drive) -> Waveform:
        hot, cold = ctx.view.scope_on(self.at)[:2]
        peak = 1.15 * drive.levels[self.channel] * drive.gain[self.channel] * drive.crest
        while True:
            ctx.poll()
            got = ctx.scope.acquire(
                {n: peak for n in (hot, cold) if n is not None},
                sample_rate_hz=200.0 * self.frequency,
                points=20_000,
                coupling="AC",
            )
            wave = across(got, hot, cold)
            top = float(abs(wave.volts).max())
            if wave.clipped or top > 0.2 * peak or peak < 0.05:
                return wave
            peak = 1.2 * top
