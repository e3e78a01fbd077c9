"""What is at the output of a driven unit and is no harmonic: oscillation on peaks, hum that comes
with the signal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import above_noise, quantisation_rms
from seqrun.measure.lines import hum
from seqrun.measure.pick_up import beside_pick_up
from seqrun.measure.stray import RIPPLE, Stray, loudest_by_chance, stray
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.bench_floor import floor_probe
from seqrun.steps.common.dirt import load_ohms
from seqrun.steps.common.drive import HEADROOM, Drive, Waveform, recorded
from seqrun.steps.common.forecasts import near_limit, scope_share
from seqrun.steps.common.listening import ALIKE, UNSEEN_STEPS
from seqrun.steps.common.whole import held_whole
from seqrun.values import COVERAGE_FACTOR, normal, rectangular

FASTEST_HZ = 50e6  # samples per second: an output stage oscillates below 25 MHz (common practice)
LEAST_RATES = 4.0  # samples a second over the frequency above which anything is stray
PERIODS = 1.2  # of the drive in a record: both tips are in it
#: further looks take other rates, so that nothing folds down onto the drive in all of them
RATES = (1.0, 0.83, 0.71, 0.59)

OTHER_RANGE = (
    2.0  # two ranges of a scope differ in noise by twice what two channels do (our choice)
)
_OWN = "own noise of the scope, steps of the converter"

#: of one output: each look, its record, and the rms of the scope alone in the same band, V
Looks = list[tuple[Stray, Waveform, float]]


def looks_at(
    drive: Drive,
    above_hz: float,
    peak_v: float | None,
    shares: Sequence[float],
    spare: int | None = None,
) -> dict[str, Looks]:
    """Look at every driven output at the scope's fastest rate, over a period of the drive.

    Args:
        peak_v: as for :meth:`Drive.capture`. shares: of that rate, one look each.
        spare: a probe on ground, which reads the scope's own noise.
    """
    ctx = drive.ctx
    most = ctx.scope.max_points
    rate = min(FASTEST_HZ, most * drive.frequency_hz / PERIODS)
    found: dict[str, Looks] = {c: [] for c in drive.channels}
    for share in shares:
        take = partial(
            drive.capture,
            rate_hz=share * rate,
            points=min(int(PERIODS * share * rate / drive.frequency_hz), most),
            must_play=True,
            beside=spare,
        )
        waves = held_whole(take, peak_v)
        own = 0.0
        if drive.beside is not None:
            dt_s = next(iter(waves.values())).dt_s
            own = stray(drive.beside, 1.0 / dt_s, above_hz=above_hz).usual_v
            ctx.keep(_OWN, own / max(wave.lsb_v for wave in waves.values()))
        for channel, wave in waves.items():
            one = stray(wave.volts, 1.0 / wave.dt_s, above_hz=above_hz, clipped=wave.clipped)
            found[channel].append((one, wave, own))
    return found


def loudest(
    step: Step, of: Measurand, ctx: Context, channel: str, looks: Looks, above_hz: float
) -> Yielded:
    """The reading of the loudest of all looks at one output."""
    one, wave, own = max(looks, key=lambda look: look[0].rms_v)
    frames = round(len(looks) * wave.volts.size / one.samples)
    floor = _floor_v(ctx, own, wave.lsb_v, loudest_by_chance(frames, one.samples))
    level = normal(one.rms_v, one.rms_v / math.sqrt(2.0 * one.samples), "noise in the frame")
    ripple = rectangular(1.0, RIPPLE, "which frequency it has")
    heard = above_noise(level * wave.gain * ripple, floor)
    always = "all the time" if one.usual_v > 0.5 * one.rms_v else "now and then"
    note = f"above {above_hz / 1e3:g} kHz, {always}, loudest at {one.at_v:.3g} V"
    return step.reading(
        of,
        heard.value,
        channel=channel,
        bound=heard.bound,
        instruments=(ctx.scope.name,),
        note=note if heard.bound == "exact" else f"above {above_hz / 1e3:g} kHz",
    )


def _floor_v(ctx: Context, own: float, lsb_v: float, by_chance: float) -> UFloat | float:
    """The scope's own rms in the loudest of all frames, V: that of converter and front end is
    looked at as well. Where no probe was spare, it is what one has seen earlier in the run, in
    steps of the converter; else a limit.
    """
    alike, seen = ALIKE, ctx.kept(_OWN)
    if own == 0.0:
        if not isinstance(seen, float):
            return UNSEEN_STEPS * lsb_v
        own, alike = seen * lsb_v, OTHER_RANGE * ALIKE
    quiet = math.hypot(own, lsb_v / math.sqrt(12.0)) * by_chance
    return quiet * rectangular(1.0, alike, "own noise, by another channel of the scope")


class _Driven(AtPower):
    """Half of rated power unless the entry says otherwise: the tips are where it matters."""

    def planned_watts(self, view: BenchView) -> float:
        return 0.5 * view.unit.rated_power if self.power is None else super().planned_watts(view)

    def converter_v(self, view: BenchView) -> float:
        """rms of the converter's own steps on the range that holds the drive, V."""
        scope = view.drivers[view.key("scope")].scope
        assert scope is not None, "drivers are checked when they are read"
        peak = HEADROOM * math.sqrt(2.0 * self.planned_watts(view) * view.unit.rated_load)
        return float(2.0 * peak / 2.0**scope.bits / math.sqrt(12.0))


STRAY = Measurand(
    "stray",
    "V",
    title="stray signal at power",
    what=(
        "The largest rms voltage, over 20 µs or one period, of everything on a driven output above "
        "the frequency that the note tells (200 kHz unless the step says otherwise): an output "
        "stage that oscillates, only on the peaks of the signal or all the time."
    ),
    how=(
        "Both channels driven; the scope's full bandwidth and fastest rate over a period of the "
        "drive, several times at different rates; the drive and its harmonics are taken out in "
        "time, frame by frame."
    ),
    fooled_by=(
        "A probe's ground lead of a hand's length rings by itself and picks up radio; a switching "
        "supply beside the bench. A scope limited to 20 MHz sees less."
    ),
    contact="The driven tone itself, seen through the same lead.",
)


class StraySignal(_Driven):
    """Anything at the output at power that is no harmonic, far above the audio band."""

    kind: ClassVar[str] = "stray_signal"
    yields: ClassVar = (judged(STRAY, "channel"),)
    quantity: ClassVar[Measurand] = STRAY

    frequency: Hertz = Field(default=1000.0, gt=0.0)
    above: Hertz = Field(default=200e3, ge=25e3, description="what lies above it is stray")

    def needs(self, view: BenchView) -> Needs:
        needs = recorded(self.needs_at_power(view, 1.0), LEAST_RATES * self.above, 0.0)
        spare = floor_probe(view, self.channels(view))
        return needs if spare is None else replace(needs, hookups=(*needs.hookups, spare[1]))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        floor = self.converter_v(view)
        value = near_limit(self, view, floor)
        return Forecast(
            value,
            COVERAGE_FACTOR * math.hypot(value * scope_share(view, value), 0.1 * floor),
            floor=floor,
            better="a scope of more bits",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        # A short memory is filled by a faster tone, and not by a slower look.
        fill = PERIODS * 40.0 * self.above / ctx.scope.max_points
        drive = Drive(ctx, max(self.frequency, fill), self.channels(ctx.view))
        spare = floor_probe(ctx.view, drive.channels)
        try:
            found = looks_at(
                drive,
                self.above,
                self.play(drive, self.watts(ctx)),
                RATES,
                spare[0] if spare is not None else None,
            )
        finally:
            drive.stop()
        for channel, looks in found.items():
            yield loudest(self, self.quantity, ctx, channel, looks, self.above)

    def play(self, drive: Drive, watts: float) -> float | None:
        """Drive the outputs; the largest |V| to be expected there, where that is not the tone's."""
        drive.to_power(watts)
        return None


HUM_DRIVEN = Measurand(
    "hum_driven",
    "V",
    title="hum while driven",
    what="The rms of all lines at multiples of the mains frequency while the output is driven.",
    how=(
        "Both channels driven at a frequency that is no multiple of the mains; the spectrum of a "
        "record of a second, each multiple read with the noise under it taken out."
    ),
    fooled_by=(
        "A bench supply that gives way under load hums by itself: look at the rails. An earth "
        "loop through generator and scope hums without drive as well."
    ),
    contact="The driven tone itself, seen through the same lead.",
)


class HumDriven(_Driven):
    """Hum while driven: what comes through from the reservoirs when they are asked for current."""

    kind: ClassVar[str] = "hum_driven"
    yields: ClassVar = (judged(HUM_DRIVEN, "channel"),)

    frequency: Hertz = Field(default=997.0, gt=0.0)
    mains: Hertz = Field(default=50.0, description="50 Hz or 60 Hz")
    multiples: int = Field(default=8, ge=1, le=12)
    record_time: Seconds = Field(default=1.0, ge=0.2)
    sample_rate: Hertz = Field(default=50e3, gt=5000.0)

    def needs(self, view: BenchView) -> Needs:
        return self.needs_at_power(view, 0.5 + 2.0 * self.record_time)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        points = self.record_time * self.sample_rate
        floor = self.converter_v(view) * math.sqrt(2.0 * 3.0 * self.multiples / points)
        value = near_limit(self, view, floor)
        return Forecast(
            value,
            COVERAGE_FACTOR * value * scope_share(view, value),
            floor=floor,
            better="a longer record",
        )

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        if abs(math.remainder(self.frequency, self.mains)) < 2.0 / self.record_time:
            raise NotMeasured(
                f"a drive of {self.frequency:g} Hz is a multiple of the mains",
                expected=f"at least {2.0 / self.record_time:g} Hz beside every one of them",
            )
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        points = min(round(self.record_time * self.sample_rate), ctx.scope.max_points)
        rate = points / self.record_time
        try:
            watts = self.watts(ctx)
            drive.to_power(watts)
            waves = drive.capture(rate_hz=rate, points=points, must_play=True)
        finally:
            drive.stop()
        # What the rails give to all channels makes the hum of each, and it grows with it.
        powers = [w.rms_v**2 / load_ohms(ctx, channel) for channel, w in waves.items()]
        departs = max(abs(power / watts - 1.0) for power in powers)
        as_meant = rectangular(1.0, departs, "power of the drive, as it was met")
        for channel, wave in waves.items():
            heard = hum(
                wave.volts,
                1.0 / wave.dt_s,
                mains_hz=self.mains,
                multiples=self.multiples,
                gain=wave.gain,
                floor=quantisation_rms(wave.lsb_v, 3.0 * self.multiples, 1.0 / wave.dt_s),
                clipped=wave.clipped,
            )
            total = beside_pick_up(heard.total, heard.mains_v, ctx.view.bench.dirt.pick_up)
            yield self.reading(
                HUM_DRIVEN,
                total.value * as_meant,
                channel=channel,
                bound=total.bound,
                instruments=(ctx.scope.name,),
                note=f"{self.multiples} multiples of {heard.mains_hz:.2f} Hz",
            )
