"""Steps for what a person can read off a scope's screen, or a record can stand in for."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Literal

from pydantic import Field

from seqrun.errors import UsageError
from seqrun.instruments.by_hand import Shown
from seqrun.instruments.screen import on_screen
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs, Unforecast
from seqrun.plan.view import BenchView
from seqrun.quantity import Volts
from seqrun.values import COVERAGE_FACTOR

_READ_OFF = (
    "One probe at the point, clip on ground; read off the screen by whoever looks at it, or worked "
    "out from one record of a scope that is spoken to."
)


class _OnScreen(Step):
    """What they share: a point with one live end, and how large its signal is."""

    at: str
    peak: Volts = Field(gt=0.0, description="largest that is expected there, from zero")

    def needs(self, view: BenchView) -> Needs:
        _, cold, hookup = view.scope_on(self.at)
        if cold is not None:
            raise UsageError(
                f"'{self.at}' has two live ends, and a screen shows one probe",
                expected="a point whose other end is ground",
                where=self.id,
            )
        return Needs(
            roles=frozenset({"scope"}), hookups=(hookup,), seconds=20.0, live=True, screen=True
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast | Unforecast:
        if of.unit != "V":
            return Unforecast("it is counted off a screen")
        u = view.standard_uncertainty("scope", "voltage", 2.0 * self.peak)
        return Forecast(self.peak, COVERAGE_FACTOR * u, better="a scope that is spoken to")

    def read(self, ctx: Context, what: Shown, of: Measurand) -> Iterator[Yielded]:
        """One thing that the screen shows."""
        channel, _, _ = ctx.view.scope_on(self.at)
        value = on_screen(ctx.scope, what, channel, self.peak)
        place = self.channel or self.at
        yield self.reading(of, value, channel=place, instruments=(ctx.scope.name,))


PEAK_TO_PEAK = Measurand(
    "peak_to_peak",
    "V",
    what="The height of a waveform, from its lowest to its highest.",
    how=_READ_OFF,
    fooled_by="Noise thickens the trace; a probe set to another attenuation than the scope's.",
    contact="The operator who reads the screen sees the trace that the tip gives.",
)
SCREEN_RMS = Measurand(
    "screen_rms",
    "V",
    title="RMS on screen",
    what="The root mean square of a waveform without its DC.",
    how=_READ_OFF,
    fooled_by="As peak_to_peak. Peak to peak over 2.83 holds for a sine alone.",
    contact="The operator who reads the screen sees the trace that the tip gives.",
)
SCREEN_DC = Measurand(
    "screen_dc",
    "V",
    title="DC on screen",
    what="The mean of a waveform.",
    how=_READ_OFF,
    fooled_by="A scope's offset is a few percent of its screen: no way to judge millivolts of DC.",
    contact="A scope cannot judge an offset near zero: read it where a DC voltage is expected.",
)
_VOLTS: dict[str, Measurand] = {
    "peak_to_peak": PEAK_TO_PEAK,
    "rms": SCREEN_RMS,
    "dc": SCREEN_DC,
}


class ScreenVolts(_OnScreen):
    """Volts that a scope's screen shows at a point: peak to peak, rms, or DC."""

    kind: ClassVar[str] = "screen_volts"
    yields: ClassVar = tuple(judged(of) for of in _VOLTS.values())

    what: Literal["peak_to_peak", "rms", "dc"] = "peak_to_peak"

    @property
    def judges(self) -> tuple[Measurand, ...]:
        return (_VOLTS[self.what],)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from self.read(ctx, self.what, _VOLTS[self.what])


SCREEN_FREQUENCY = Measurand(
    "screen_frequency",
    "Hz",
    title="Frequency on screen",
    what="The frequency of what is at a point.",
    how=_READ_OFF,
    fooled_by="Divisions counted across a trigger that jumps; an oscillation on top of a tone.",
    contact="The operator who reads the screen sees the trace that the tip gives.",
)


class ScreenFrequency(_OnScreen):
    """Frequency that a scope's screen shows at a point."""

    kind: ClassVar[str] = "screen_frequency"
    yields: ClassVar = (judged(SCREEN_FREQUENCY),)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from self.read(ctx, "frequency", SCREEN_FREQUENCY)


SCREEN_CLIPPED = Measurand(
    "screen_clipped",
    "",
    title="Clipped on screen",
    what="Whether the tops of a sine are flat: 1 when they are, 0 when they are not.",
    how=_READ_OFF,
    fooled_by="The eye sees some 3 % of distortion, not less (common practice).",
    contact="The operator who reads the screen sees the trace that the tip gives.",
)


class ScreenClipped(_OnScreen):
    """Whether the waveform at a point is clipped, as a person sees it."""

    kind: ClassVar[str] = "screen_clipped"
    yields: ClassVar = (judged(SCREEN_CLIPPED),)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from self.read(ctx, "clipped", SCREEN_CLIPPED)
