"""Distortion of one tone, read twice from the same record, and of two tones."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar, Literal

from pydantic import Field
from uncertainties import UFloat, umath

from seqrun.errors import NotMeasured
from seqrun.measure.distortion import (
    Distortion,
    check_agreement,
    distortion,
    distortion_by_fit,
)
from seqrun.measure.intermodulation import (
    Intermodulation,
    difference_distortion,
    modulation_distortion,
)
from seqrun.measure.noise import noise_level
from seqrun.measure.weighting import BAND_HZ, Weighting, white_share
from seqrun.measure.windows import Window
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Fraction, Hertz
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.bench_floor import distortion_floor, floor_probe, level_seen
from seqrun.steps.common.dirt import harmonics_felt
from seqrun.steps.common.drive import Drive, Waveform, recorded
from seqrun.steps.common.forecasts import DB_PER_SHARE, distortion_share
from seqrun.steps.common.listening import ALIKE, unseen_v
from seqrun.steps.common.tone import tuned
from seqrun.values import Bound, exactly, rectangular

LEAST_RATE_HZ = 100e3  # samples per second: holds the band to 22 kHz with room
PER_CYCLE = 50  # samples: holds twenty harmonics
#: samples per second that hold the band to 20 kHz behind a filter of their own: the slowest rate of
#: sound interfaces; and so many a cycle hold twenty harmonics there
FILTERED_RATE_HZ = 44.1e3
FILTERED_PER_CYCLE = 44
LEAST_S = 0.25
LEAST_CYCLES = 100
APART_CYCLES = 20.0  # of the difference of two tones, so that their products stand apart
BETTER = "a scope and a generator of less distortion, or floor = what a loop-back of them showed"
#: intermodulation over distortion of one curvature, the larger of second and third order: for tones
#: at 4:1 3.2 and 3.84 (Warren and Hewlett, Proc. IRE 36 (1948) 457; from memory, and by algebra),
#: for two equal ones 0.5 and 0.75
OVER_THD = {"modulation": 3.84, "difference": 0.75}

_HOW = (
    "A sine into the input, the output at the stated power into its load. The record is read "
    "twice: by its windowed spectrum and by least-squares fits of sines (IEEE 1057); the two must "
    "agree, or it is not measured. What generator and scope can do themselves is the floor."
)
_FOOLED = (
    "The generator's own distortion, a clipped scope range, a load that is not there; at low "
    "power crossover, at high power clipping: the power belongs to the figure."
)

THD = Measurand(
    "thd",
    "%",
    title="THD",
    what="The harmonics (2nd to 20th) that the unit adds to a sine, over the sine itself.",
    how=_HOW,
    fooled_by=_FOOLED,
    contact="The driven tone itself, seen through the same lead.",
)
THD_N = Measurand(
    "thd_n",
    "%",
    title="THD+N",
    what="All that is in the band but the sine: harmonics, hum and noise, over the sine.",
    how=_HOW,
    fooled_by=_FOOLED + " At low power it is all noise.",
    contact="The driven tone itself, seen through the same lead.",
)
SINAD = Measurand(
    "sinad",
    "dB",
    title="SINAD",
    what="The sine over all the rest in the band: THD+N turned over, in dB (IEEE 1241).",
    how=_HOW,
    fooled_by=_FOOLED,
)


class OneTone(AtPower):
    """What the steps that distort one tone have in common: all read the same, each judges one."""

    frequency: Hertz = Field(default=1000.0, gt=0.0)
    weighting: Weighting = Weighting.UNWEIGHTED
    shared_clock: bool = Field(
        False, description="true: generator and scope run on one reference, so no window is needed"
    )
    floor: Fraction | None = Field(
        None, description="distortion of generator and scope together; else from their drivers"
    )

    def needs(self, view: BenchView) -> Needs:
        rate = max(PER_CYCLE * self.frequency, LEAST_RATE_HZ)
        filtered = max(FILTERED_PER_CYCLE * self.frequency, FILTERED_RATE_HZ)
        needs = recorded(self.needs_at_power(view, 1.5), rate, 1.0 / self._lowest_hz, filtered)
        spare = floor_probe(view, self.channels(view))
        return needs if spare is None else replace(needs, hookups=(*needs.hookups, spare[1]))

    @property
    def _lowest_hz(self) -> float:
        """Where the band begins that is looked at for what is not the tone."""
        return min(BAND_HZ[0], 0.5 * self.frequency)

    def _floor(self, view: BenchView, level: float = 1.0) -> float:
        return self.floor if self.floor is not None else distortion_floor(view, level)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """In percent; SINAD turns it over."""
        least, u = distortion_share(view, self._floor(view), of != THD)
        return Forecast(100.0 * least, 100.0 * u, floor=100.0 * least, better=BETTER)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        scope = ctx.scope
        rate = scope.sample_rate_near(max(PER_CYCLE * self.frequency, LEAST_RATE_HZ))
        points = min(round(rate * max(LEAST_S, LEAST_CYCLES / self.frequency)), scope.max_points)
        frequency, window = tuned(ctx, self.frequency, rate, points, self.shared_clock)
        drive = Drive(ctx, frequency, self.channels(ctx.view))
        spare = floor_probe(ctx.view, drive.channels)
        try:
            drive.to_power(self.watts(ctx))
            waves = drive.capture(
                rate_hz=rate,
                points=points,
                beside=spare[0] if spare is not None else None,
                must_play=True,
            )
            drive.check_load({c: drive.power_of(c, wave) for c, wave in waves.items()})
        finally:
            drive.stop()
        for channel, wave in waves.items():
            try:
                found = self._read(ctx, drive, frequency, window, channel, wave)
            except NotMeasured as reason:
                yield self.not_measured(self.judges[0], reason.found, channel=channel)
                continue
            yield from self.results(ctx, found, channel, window)

    def _read(
        self,
        ctx: Context,
        drive: Drive,
        frequency: float,
        window: Window,
        channel: str,
        wave: Waveform,
    ) -> Distortion:
        rate = 1.0 / wave.dt_s
        plain = distortion(
            wave.volts,
            rate,
            frequency,
            band_hz=(0.5 * frequency, BAND_HZ[1]),
            window=window,
            clipped=wave.clipped,
        )
        fitted = distortion_by_fit(wave.volts, rate, frequency, clipped=wave.clipped)
        check_agreement(
            plain.thd,
            fitted.thd,
            floor=self._floor(ctx.view, level_seen(ctx, wave)),
            limit=self.ratio_limit(ctx),
            slack=self.slack(ctx, float(plain.fundamental_rms.nominal_value)),
        )
        return distortion(
            wave.volts,
            rate,
            frequency,
            band_hz=(self._lowest_hz, BAND_HZ[1]),
            weighting=self.weighting,
            window=window,
            gain=wave.gain,
            clipped=wave.clipped,
            floor_thd=floor_felt(plain, self._floor(ctx.view, level_seen(ctx, wave))),
            floor_noise=self._floor_noise(ctx, drive, wave, channel),
        )

    def slack(self, ctx: Context, volts: float) -> float:
        """By how much the two ways may differ and bear on nothing that the step judges, as a ratio
        to the tone of so many V."""
        return 0.0

    def ratio_limit(self, ctx: Context) -> float | None:
        """The step's upper limit as a distortion ratio; None when it has none."""
        if ctx.limit is None:
            return None
        if self.kind == "sinad":
            return None if ctx.limit.low is None else 10.0 ** (-ctx.limit.low / 20.0)
        return None if ctx.limit.high is None else ctx.limit.high / 100.0

    def _floor_noise(self, ctx: Context, drive: Drive, wave: Waveform, channel: str) -> UFloat:
        """What scope and generator bring into the noise at an output, V rms."""
        rate = 1.0 / wave.dt_s
        if drive.beside is not None:
            level = noise_level(drive.beside, rate, weighting=self.weighting)
            own = float(level.rms.value.nominal_value) * rectangular(
                1.0, ALIKE, "own noise, by another channel of the scope"
            )
        else:
            # Up to that: the mean square lies anywhere below.
            most_square = (unseen_v(wave, BAND_HZ[1]) ** 2) * white_share(self.weighting)
            own = rectangular(most_square / 2.0, most_square / 2.0, "own noise of the scope") ** 0.5
        generator = ctx.view.drivers[ctx.view.key("generator")].generator
        most = generator.noise if generator is not None else None
        if most is None:
            return own
        # A data sheet says "at most": the mean square lies anywhere up to that.
        square = (most * drive.gain[channel]) ** 2 * white_share(self.weighting)
        return (
            own * own + rectangular(square / 2.0, square / 2.0, "noise of the generator")
        ) ** 0.5

    def results(
        self, ctx: Context, found: Distortion, channel: str, window: Window
    ) -> Iterator[Yielded]:
        names = (ctx.scope.name, ctx.generator.name)
        felt = harmonics_felt(ctx, f"out.{channel}", found)
        in_db = -20.0 * umath.log10(felt)
        volts = float(found.fundamental_rms.nominal_value)
        note = f"{found.fundamental_hz:.4g} Hz, {volts:.3g} V, {window.name} window"
        opposite = Bound.AT_LEAST if found.thd_n.bound is Bound.AT_MOST else Bound.EXACT
        for quantity, value, bound in (
            (THD, 100.0 * found.thd.value * felt, found.thd.bound),
            (THD_N, 100.0 * found.thd_n.value * felt, found.thd_n.bound),
            (SINAD, found.sinad_db + in_db, opposite),
        ):
            yield self.reading(
                quantity,
                value,
                channel=channel,
                bound=bound,
                instruments=names,
                note=note,
            )


def floor_felt(found: Distortion, floor: float) -> float:
    """How much of the bench's own distortion a reading can feel, ratio.

    The curvature of scope and generator makes a second and a third harmonic (common practice:
    higher ones fall off fast). Only with those of the unit can they add or cancel; beside a
    distortion that lies in higher orders they count by their square alone. How the bench's own is
    split between the two is not told: each is taken to have half the square.
    """
    thd = float(found.thd.value.nominal_value)
    if found.thd.bound is not Bound.EXACT or thd <= floor:
        return floor
    low = math.hypot(
        *(float(h.rms.value.nominal_value) for h in found.harmonics if h.order in (2, 3))
    )
    share = low / float(found.fundamental_rms.nominal_value) / thd
    return floor * min(math.hypot(share * math.sqrt(0.5), 0.5 * floor / thd), 1.0)


class Thd(OneTone):
    """Total harmonic distortion at a stated power and frequency."""

    kind: ClassVar[str] = "thd"
    yields: ClassVar = (judged(THD, "channel"), shown(THD_N, "channel"), shown(SINAD, "channel"))


class ThdN(OneTone):
    """Total harmonic distortion plus noise, 22 Hz to 22 kHz or weighted."""

    kind: ClassVar[str] = "thd_n"
    yields: ClassVar = (judged(THD_N, "channel"), shown(THD, "channel"), shown(SINAD, "channel"))


class Sinad(OneTone):
    """Signal to noise and distortion: the reciprocal of THD+N in dB."""

    kind: ClassVar[str] = "sinad"
    yields: ClassVar = (judged(SINAD, "channel"), shown(THD, "channel"), shown(THD_N, "channel"))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        percent = super().forecast(view, of)
        value = -20.0 * math.log10(percent.value / 100.0)
        spread = DB_PER_SHARE * percent.expanded_uncertainty / percent.value
        return Forecast(value, spread, better=BETTER)


class TwoTone(Drive):
    """Two tones at once into every channel; levels are of both together, V rms."""

    def __init__(
        self,
        ctx: Context,
        low_hz: float,
        high_hz: float,
        low_over_high: float,
        channels: tuple[str, ...],
    ) -> None:
        super().__init__(ctx, low_hz, channels)
        self.high_hz = high_hz
        self._high = 1.0 / math.hypot(1.0, low_over_high)
        self._low = low_over_high * self._high
        self.crest = math.sqrt(2.0) * (self._low + self._high)

    def put(self, output: int, level: float) -> None:
        self.ctx.generator.two_tone(
            output, self.frequency_hz, level * self._low, self.high_hz, level * self._high
        )


INTERMODULATION = Measurand(
    "intermodulation",
    "%",
    what=(
        "New tones that arise from two tones together: side lines of a high tone, made by a low "
        "one (60 Hz + 7 kHz, 4:1), or differences of two near tones (19 + 20 kHz)."
    ),
    how=(
        "Both tones into the input, the output's spectrum at the places where the products "
        "must lie (IEC 60268-3, 14.12.9 and 14.12.10)."
    ),
    fooled_by=(
        "The generator's own mixing, hum beside a side line (50 and 60 Hz are near), a peak "
        "that clips although the mean power is small."
    ),
    contact="The driven tones themselves, seen through the same lead.",
)
INTERMODULATION_SECOND = Measurand(
    "intermodulation_second",
    "%",
    title="intermodulation, second order",
    what="The second-order part of the intermodulation.",
    how="As intermodulation. Shown, not judged.",
    fooled_by="A push-pull stage cancels it: it shows halves that differ.",
)
INTERMODULATION_THIRD = Measurand(
    "intermodulation_third",
    "%",
    title="intermodulation, third order",
    what="The third-order part of the intermodulation.",
    how="As intermodulation. Shown, not judged.",
    fooled_by="It grows with crossover and near clipping.",
)


class TwoToneDistortion(AtPower):
    """Intermodulation: two tones in, and what comes out besides them.

    ``method = "modulation"`` takes a low and a high tone at 4:1 (60 Hz and 7 kHz),
    ``"difference"`` two near ones of equal level (19 kHz and 20 kHz). ``power`` is the mean power
    of both tones together.
    """

    kind: ClassVar[str] = "intermodulation"
    yields: ClassVar = (
        judged(INTERMODULATION, "channel"),
        shown(INTERMODULATION_SECOND, "channel"),
        shown(INTERMODULATION_THIRD, "channel"),
    )

    method: Literal["modulation", "difference"] = "modulation"
    low: Hertz | None = Field(None, description="lower tone; 60 Hz or 19 kHz")
    high: Hertz | None = Field(None, description="higher tone; 7 kHz or 20 kHz")
    floor: Fraction | None = Field(
        None, description="intermodulation of generator and scope; else from their drivers"
    )

    def _tones(self) -> tuple[float, float, float]:
        if self.method == "modulation":
            return self.low or 60.0, self.high or 7000.0, 4.0
        return self.low or 19e3, self.high or 20e3, 1.0

    def needs(self, view: BenchView) -> Needs:
        low, high, _ = self._tones()
        needs = recorded(
            self.needs_at_power(view, 1.5),
            max(6.0 * high, LEAST_RATE_HZ),
            APART_CYCLES / min(low, high - low),
        )
        return replace(needs, generator=frozenset({"two_tone"}))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        least, u = distortion_share(view, self._floor(view), False)
        return Forecast(100.0 * least, 100.0 * u, floor=100.0 * least, better=BETTER)

    def _floor(self, view: BenchView) -> float:
        if self.floor is not None:
            return self.floor
        return OVER_THD[self.method] * distortion_floor(view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        low, high, ratio = self._tones()
        apart = min(low, high - low)
        rate = ctx.scope.sample_rate_near(max(6.0 * high, LEAST_RATE_HZ))
        points = min(round(rate * max(LEAST_S, APART_CYCLES / apart)), ctx.scope.max_points)
        drive = TwoTone(ctx, low, high, ratio, self.channels(ctx.view))
        try:
            drive.to_power(self.watts(ctx), rate_hz=rate, points=points)
            waves = drive.capture(rate_hz=rate, points=points, must_play=True)
        finally:
            drive.stop()
        for channel, wave in waves.items():
            try:
                found = self._read(ctx, wave, low, high)
            except NotMeasured as reason:
                yield self.not_measured(self.judges[0], reason.found, channel=channel)
                continue
            for quantity, part in (
                (INTERMODULATION, found.total),
                (INTERMODULATION_SECOND, found.second),
                (INTERMODULATION_THIRD, found.third),
            ):
                yield self.reading(
                    quantity,
                    100.0 * part.value,
                    channel=channel,
                    bound=part.bound,
                    instruments=(ctx.scope.name, ctx.generator.name),
                    note=f"{self.method}, {low:g} Hz and {high:g} Hz",
                )

    def _read(self, ctx: Context, wave: Waveform, low: float, high: float) -> Intermodulation:
        way = modulation_distortion if self.method == "modulation" else difference_distortion
        return way(
            wave.volts,
            1.0 / wave.dt_s,
            low,
            high,
            clipped=wave.clipped,
            floor=exactly(self._floor(ctx.view)),
        )
