"""How the unit carries a signal over frequency: response, its corners, RIAA deviation."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Self

from pydantic import Field, model_validator
from uncertainties import UFloat

from seqrun.errors import UsageError
from seqrun.files.expression import Expression, HertzExpression
from seqrun.files.unit.sheet import Unit
from seqrun.measure import transfer
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs, Unforecast
from seqrun.plan.view import BenchView
from seqrun.quantity import Decibels, Hertz, custom_error
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.dirt import compensated
from seqrun.steps.common.drive import Drive, Waveform
from seqrun.steps.common.forecasts import decibels, near_limit, share
from seqrun.steps.common.inputs import generator_to
from seqrun.steps.common.tone import CLOCKS, at_input, fundamental, peak_expected, seen
from seqrun.values import Bound, exactly, rectangular

REFERENCE_HZ = 1000.0
LIFTED = 5.0  # what a part of the band may be lifted by, and still be read
LOOK_S = 0.04  # between two records, about
PER_CYCLE = 50  # samples
FEWEST_CYCLES, MOST_CYCLES = 16, 400  # of the tone in a record
#: of each record, where that is not more cycles: a few mains periods, so that hum averages out;
#: high above the mains the fit does not feel it
LEAST_S = 0.05


def steps_between(low_hz: float, high_hz: float, per_octave: int) -> list[float]:
    """Frequencies from low to high, in even steps, through 1 kHz."""
    below = math.floor(per_octave * math.log2(REFERENCE_HZ / low_hz) + 1e-9)
    above = math.floor(per_octave * math.log2(high_hz / REFERENCE_HZ) + 1e-9)
    found = [REFERENCE_HZ * 2.0 ** (k / per_octave) for k in range(-below, above + 1)]
    if found[0] > low_hz * 1.001:
        found.insert(0, low_hz)
    if found[-1] < high_hz * 0.999:
        found.append(high_hz)
    return found


def look(drive: Drive, frequency_hz: float) -> dict[str, Waveform]:
    """The outputs at one frequency, levels as they are."""
    if frequency_hz != drive.frequency_hz:
        drive.retune(frequency_hz)
    cycles = cycles_of(frequency_hz)
    waves = drive.capture(cycles=cycles, per_cycle=PER_CYCLE)
    if any(wave.clipped for wave in waves.values()):
        # Something lifts this part of the band: once more, on a range that holds it.
        peak_v = LIFTED * max(peak_expected(drive, channel) for channel in waves)
        waves = drive.capture(cycles=cycles, per_cycle=PER_CYCLE, peak_v=peak_v)
    return waves


def cycles_of(frequency_hz: float) -> int:
    """How many cycles of a tone are looked at."""
    return min(max(FEWEST_CYCLES, round(LEAST_S * frequency_hz)), MOST_CYCLES)


@dataclass(frozen=True, slots=True)
class Swept:
    """What a sweep has found: frequencies, Hz, and each channel's gain at them, plain ratios."""

    frequencies: tuple[float, ...]
    gains: Mapping[str, Sequence[UFloat]]


Band = tuple[Hertz | HertzExpression, Hertz | HertzExpression]


def ends_of(band: Band | None, unit: Unit) -> tuple[float, float]:
    """Both ends of a band, Hz, by what the unit sheet tells; where none is asked for, those of its
    rated band."""
    if band is None:
        return unit.rated_band
    low, high = (
        end.evaluate_in("Hz", unit.names()) if isinstance(end, Expression) else float(end)
        for end in band
    )
    return low, high


def key_of(step_id: str) -> str:
    """Under which a sweep keeps what it has found."""
    return f"swept {step_id}"


_RESPONSE_HOW = (
    "A sine at one generator level in steps through the band, load on; the output over the "
    "generator's level at each, re 1 kHz. The scope's gain error cancels."
)
_RESPONSE_FOOLED = (
    "Tone and loudness controls that are not flat, a filter that is switched in; at high frequency "
    "the probe. The generator's own flatness is in the budget."
)
FLATNESS = Measurand(
    "flatness",
    "dB",
    what="The largest departure of the output from its level at 1 kHz, over the audio band.",
    how=_RESPONSE_HOW,
    fooled_by=_RESPONSE_FOOLED,
    contact="The driven tone itself at each frequency.",
)
LOWER_CORNER = Measurand(
    "lower_corner",
    "Hz",
    what="The lower frequency at which the output has fallen by 3 dB, to half the power.",
    how=_RESPONSE_HOW,
    fooled_by=_RESPONSE_FOOLED + " A dried-out coupling capacitor moves it up.",
    contact="The driven tone itself at each frequency.",
)
UPPER_CORNER = Measurand(
    "upper_corner",
    "Hz",
    what="The upper frequency at which the output has fallen by 3 dB, to half the power.",
    how=_RESPONSE_HOW,
    fooled_by=_RESPONSE_FOOLED,
)


def flatness_forecast(view: BenchView) -> Forecast | Unforecast:
    """Of a flatness: the generator's own."""
    if "flatness" not in view.drivers[view.key("generator")].rows:
        return Unforecast("the generator's data sheet does not say how flat it is")
    own = share(view, "generator", "flatness", 1.0)
    return decibels(own, 0.0, "a generator that is flatter")


class _Sweep(AtPower):
    """The response of each driven channel from ``low`` to ``high``."""

    low: Hertz = Field(default=10.0, gt=0.0)
    high: Hertz = Field(default=100e3, gt=0.0)
    per_octave: int = Field(default=3, ge=1, le=24)
    band: Band | None = Field(
        None, description='band of the flatness, as ["20 Hz", "20 kHz"]; left out: as rated'
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.low >= self.high:
            raise custom_error(
                f"low is {self.low:g} Hz and high is {self.high:g} Hz", "low below high"
            )
        return self

    def frequencies(self, unit: Unit) -> list[float]:
        """What is measured at: the steps, and the ends of the band."""
        inside = [f for f in ends_of(self.band, unit) if self.low <= f <= self.high]
        steps = steps_between(self.low, self.high, self.per_octave)
        return sorted({*steps, *inside})

    def needs(self, view: BenchView) -> Needs:
        looks = sum(cycles_of(f) / f + LOOK_S for f in self.frequencies(view.unit))
        return self.needs_at_power(view, looks + 1.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast | Unforecast:
        flat = flatness_forecast(view)
        if of == FLATNESS or isinstance(flat, Unforecast):
            return flat
        # A first-order roll-off falls by 4.3 dB per neper of frequency at its corner.
        corner = near_limit(self, view, 20.0 if of == LOWER_CORNER else 20e3)
        spread = corner * flat.expanded_uncertainty / 4.34
        return Forecast(corner, spread, better=flat.better + ", or more steps to the octave")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = Drive(ctx, REFERENCE_HZ, self.channels(ctx.view))
        frequencies, band = self.frequencies(ctx.view.unit), ends_of(self.band, ctx.view.unit)
        gains: dict[str, list[UFloat]] = {c: [] for c in drive.channels}
        try:
            drive.to_power(self.watts(ctx))
            for number, frequency in enumerate(frequencies, 1):
                for channel, wave in look(drive, frequency).items():
                    level = fundamental(wave, frequency)
                    level = compensated(ctx, f"out.{channel}", level, frequency)
                    gains[channel].append(level / at_input(ctx, drive, channel))
                ctx.progress(f"{frequency:.4g} Hz", number / len(frequencies))
        finally:
            drive.stop()
        ctx.keep(key_of(self.id), Swept(tuple(frequencies), gains))
        columns: dict[str, list[float]] = {"frequency_hz": frequencies}
        found: dict[str, transfer.Response] = {}
        for channel, ratios in gains.items():
            found[channel] = transfer.frequency_response(
                frequencies, ratios, reference_hz=REFERENCE_HZ, band_hz=band
            )
            columns[f"db_{channel}"] = [float(r.nominal_value) for r in found[channel].relative_db]
        ctx.trace(f"response-{self.id}", columns)
        for channel, response in found.items():
            yield from self._results(ctx, channel, response, band, drive.coupling)

    def _results(
        self,
        ctx: Context,
        channel: str,
        response: transfer.Response,
        band: tuple[float, float],
        coupling: str,
    ) -> Iterator[Yielded]:
        names = (ctx.scope.name, ctx.generator.name)
        # What is played is faster or slower than it is called by as much as its clock is off.
        clock = rectangular(1.0, CLOCKS / 2.0, "clock of the generator")
        yield self.reading(
            FLATNESS,
            response.flatness_db,
            channel=channel,
            instruments=names,
            note=f"{band[0]:g} Hz to {band[1]:g} Hz re 1 kHz",
        )
        for quantity, corner, end, bound in (
            (LOWER_CORNER, response.low_3db_hz, self.low, Bound.AT_MOST),
            (UPPER_CORNER, response.high_3db_hz, self.high, Bound.AT_LEAST),
        ):
            if corner is not None:
                # A scope that is coupled for AC loses bass of its own, and no data sheet says how
                # much: the unit's corner is no higher.
                added = quantity == LOWER_CORNER and coupling == "AC"
                yield self.reading(
                    quantity,
                    corner * clock,
                    channel=channel,
                    bound=bound if added else Bound.EXACT,
                    instruments=names,
                    note="-3 dB re 1 kHz" + (", the scope's coupling with it" if added else ""),
                )
            else:
                yield self.reading(
                    quantity,
                    exactly(end),
                    channel=channel,
                    bound=bound,
                    instruments=names,
                    note="within 3 dB to the end of the sweep",
                )


class FrequencyResponse(_Sweep):
    """Frequency response at a small power: flatness over the band, and the −3 dB points."""

    kind: ClassVar[str] = "frequency_response"
    yields: ClassVar = (
        judged(FLATNESS, "channel"),
        shown(LOWER_CORNER, "channel"),
        shown(UPPER_CORNER, "channel"),
    )


class LowerCorner(_Sweep):
    """The frequency below which bass is lost: −3 dB re 1 kHz."""

    kind: ClassVar[str] = "lower_corner"
    yields: ClassVar = (
        judged(LOWER_CORNER, "channel"),
        shown(FLATNESS, "channel"),
        shown(UPPER_CORNER, "channel"),
    )


class UpperCorner(_Sweep):
    """The frequency above which treble is lost: −3 dB re 1 kHz."""

    kind: ClassVar[str] = "upper_corner"
    yields: ClassVar = (
        judged(UPPER_CORNER, "channel"),
        shown(FLATNESS, "channel"),
        shown(LOWER_CORNER, "channel"),
    )


RIAA_DEVIATION = Measurand(
    "riaa_deviation",
    "dB",
    title="RIAA deviation",
    what="The largest departure of the phono input from the RIAA playback curve, 0 dB at 1 kHz.",
    how=(
        "A sine from 20 Hz to 20 kHz into the phono input, at a level that follows the curve "
        "backwards; output over input, less the curve (IEC 60098)."
    ),
    fooled_by=(
        "A generator at millivolts is mostly its own offset: put a pad in and say so. Hum at "
        "50 Hz, the cartridge's load capacitance that is not there."
    ),
    contact="The driven tone itself at each frequency.",
)


class RiaaDeviation(AtPower):
    """Deviation of a phono input from the RIAA playback curve.

    The generator's level follows the curve, so that the output stays the same at each frequency.
    A pad between generator and input brings the generator up to levels that it holds well. Without
    one ``constant_input`` keeps its level instead and lets the output follow the curve: the
    generator's error cancels, and the scope's ranges differ.
    """

    kind: ClassVar[str] = "riaa_deviation"
    yields: ClassVar = (judged(RIAA_DEVIATION, "channel"),)

    input: str = Field("phono", description='the input: in.<channel>.<input>; "" is in.<channel>')
    pad: Decibels = Field(0.0, ge=0.0, le=100.0, description="attenuation before the input")
    gain: Decibels | None = Field(None, description="from that input to the output at 1 kHz")
    constant_input: bool = Field(
        False, description="true: one generator level, and the output follows the curve"
    )
    low: Hertz | HertzExpression = 20.0
    high: Hertz | HertzExpression = 20e3
    per_octave: int = Field(default=1, ge=1, le=12)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        low, high = self.low, self.high
        plain = [end for end in (low, high) if isinstance(end, float)]
        if min(plain, default=1.0) <= 0.0:
            raise custom_error(f"an end of the band is {min(plain):g} Hz", "above 0 Hz")
        if isinstance(low, float) and isinstance(high, float) and low >= high:
            raise custom_error(f"low is {low:g} Hz and high is {high:g} Hz", "low below high")
        return self

    def band(self, unit: Unit) -> tuple[float, float]:
        """Both ends of the sweep, Hz, by what the unit sheet tells.

        Raises:
            UsageError: they are not in order, or not above nothing.
        """
        low, high = ends_of((self.low, self.high), unit)
        if not 0.0 < low < high:
            raise UsageError(
                f"low is {low:g} Hz and high is {high:g} Hz",
                expected="low below high",
                where=self.id,
            )
        return low, high

    def needs(self, view: BenchView) -> Needs:
        hookups = [generator_to(view, c, self.input) for c in self.channels(view)]
        low = self.band(view.unit)[0]
        lift = transfer.riaa_playback_db(low) if self.constant_input else 0.0
        needs = self.needs_at_power(view, 4.5, math.pow(10.0, lift / 10.0))
        return replace(needs, hookups=(*needs.hookups, *hookups), acts=len(hookups))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """Two levels of the generator, or two ranges of the scope, against each other."""
        role, function = ("scope", "voltage") if self.constant_input else ("generator", "level")
        level = math.sqrt(self.planned_watts(view) * view.unit.rated_load)
        if role == "generator":
            gain = (self.gain if self.gain is not None else view.unit.gain) - self.pad
            level /= math.pow(10.0, gain / 20.0)
        u = view.standard_uncertainty(role, function, level) / level
        return decibels(math.sqrt(2.0) * u, 0.0, "a generator of closer level, or a pad")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        view, channels = ctx.view, self.channels(ctx.view)
        low, high = self.band(view.unit)
        frequencies = steps_between(low, high, self.per_octave)
        drive = Drive(ctx, REFERENCE_HZ, channels)
        through = (self.gain if self.gain is not None else view.unit.gain) - self.pad
        drive.gain = dict.fromkeys(channels, math.pow(10.0, through / 20.0))
        ratios: dict[str, list[UFloat]] = {c: [] for c in channels}
        try:
            drive.to_power(self.watts(ctx))
            level, gain = dict(drive.levels), dict(drive.gain)
            for number, frequency in enumerate(frequencies, 1):
                curve = math.pow(10.0, transfer.riaa_playback_db(frequency) / 20.0)
                drive.frequency_hz = frequency
                drive.levels = dict.fromkeys(channels, 0.0)
                drive.gain = {c: gain[c] * curve for c in channels}
                divisor = 1.0 if self.constant_input else curve
                drive.set({c: level[c] / divisor for c in channels})
                waves = look(drive, frequency)
                if any(w.clipped for w in waves.values()):
                    # Far off the curve: look again on a range that holds it.
                    drive.gain = {c: 10.0 * g for c, g in drive.gain.items()}
                    waves = seen(drive)
                for channel, wave in waves.items():
                    level_v = fundamental(wave, frequency)
                    level_v = compensated(ctx, f"out.{channel}", level_v, frequency)
                    ratios[channel].append(level_v / at_input(ctx, drive, channel))
                ctx.progress(f"{frequency:.4g} Hz", number / len(frequencies))
        finally:
            drive.stop()
            if self.input:
                ctx.connect(*(generator_to(view, c, "") for c in channels))
        for channel, found in ratios.items():
            deviation = transfer.riaa_deviation(frequencies, found, reference_hz=REFERENCE_HZ)
            ctx.trace(
                f"riaa-{self.id}-{channel}",
                {
                    "frequency_hz": frequencies,
                    "deviation_db": [float(d.nominal_value) for d in deviation.deviations_db],
                },
            )
            yield self.reading(
                RIAA_DEVIATION,
                deviation.largest_db,
                channel=channel,
                instruments=(ctx.scope.name, ctx.generator.name),
                note=f"{low:g} Hz to {high:g} Hz",
            )
