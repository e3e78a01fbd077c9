"""Where clipping sets in, and how much more short bursts may have."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.expression import WattsExpression
from seqrun.measure.bounds import above_distortion
from seqrun.measure.distortion import distortion
from seqrun.measure.headroom import burst_power
from seqrun.measure.power import (
    PowerPoint,
    clipping_onset,
    dynamic_headroom_db,
    power_at_distortion,
)
from seqrun.measure.timing import envelope
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs, ScopeRecord
from seqrun.plan.view import BenchView
from seqrun.quantity import Fraction, Hertz, Seconds
from seqrun.steps.common.bench_floor import distortion_floor, level_seen
from seqrun.steps.common.dirt import harmonics_felt
from seqrun.steps.common.drive import HEADROOM, Drive, Waveform, drive_needs
from seqrun.steps.common.forecasts import BETTER_SCOPE, decibels, power_share
from seqrun.steps.common.generator_reach import plays_bursts
from seqrun.steps.distortion import floor_felt
from seqrun.values import COVERAGE_FACTOR, Bound

BEGIN = 0.5  # of rated power: where a sweep begins
STEP = 1.05  # between two levels: a tenth in power
NARROW = 4  # halvings of the step that reaches the wanted distortion
LOOKS = 4  # for a record that lies within a burst
#: times rated power: the most that a sweep asks of a unit, steadily and in bursts (our own choice)
ONSET_MOST, BURST_MOST = 1.5, 2.0
DEEPEST = 1.5  # times the largest swing: nothing is to be learnt beyond


def sweep(
    drive: Drive,
    capture: Callable[[], dict[str, Waveform]],
    until: float,
    most_w: float,
) -> dict[str, list[PowerPoint]]:
    """Raise the level of all channels until each one's distortion is past ``until``, then narrow
    the last step down by halves.

    Args:
        capture: records of the outputs at the levels that are set.
        until: distortion, ratio.
        most_w: power, W, that loads and supply are planned for; no level asks for more.

    Returns:
        Power and distortion of each channel at each level.

    Raises:
        NotMeasured: an output is dead, or the record holds no steady tone.
    """
    ctx = drive.ctx
    unit = ctx.view.unit
    series: dict[str, list[PowerPoint]] = {c: [] for c in drive.channels}
    levels: dict[str, list[float]] = {c: [] for c in drive.channels}
    now = {c: drive.level_for(c, BEGIN * unit.rated_power) for c in drive.channels}
    deepest = DEEPEST * unit.largest_peak / math.sqrt(2.0)
    most = {c: min(deepest / drive.gain[o] for o in drive.alike(c)) for c in drive.channels}

    def read(searched: tuple[str, ...]) -> None:
        drive.set({c: now[c] for c in searched})
        waves = capture()
        for channel in searched:
            wave = waves[channel]
            found = distortion(
                wave.volts, 1.0 / wave.dt_s, drive.frequency_hz, clipped=wave.clipped
            )
            thd = found.thd.value
            series[channel].append(PowerPoint(drive.power_of(channel, wave), thd))
            levels[channel].append(now[channel])
            ctx.progress(f"{channel}: {100.0 * float(thd.nominal_value):.3g} % distortion")

    def over(channel: str) -> bool:
        return float(series[channel][-1].distortion.nominal_value) >= until

    def room(channel: str) -> bool:
        """Whether the next step is still within what was planned."""
        return STEP**2 * float(series[channel][-1].power.nominal_value) <= most_w

    def narrow(channel: str) -> None:
        """Into the middle of the step that reaches the wanted distortion."""
        pairs = zip(levels[channel], series[channel], strict=True)
        reached = [(level, float(p.distortion.nominal_value) >= until) for level, p in pairs]
        below = [level for level, past in reached if not past]
        above = [level for level, past in reached if past]
        if below and above:
            now[channel] = 0.5 * (max(below) + min(above))

    for searched in drive.turns:
        read(searched)
        while not all(over(c) for c in searched):
            rising = [c for c in searched if not over(c) and now[c] < most[c] and room(c)]
            if not rising:
                break
            for channel in rising:
                now[channel] = min(STEP * now[channel], most[channel])
            read(searched)
        for _ in range(NARROW):
            for channel in searched:
                narrow(channel)
            read(searched)
    return series


CLIPPING_ONSET = Measurand(
    "clipping_onset",
    "W",
    what="The power at which the tops of a sine begin to be cut off, loads on, channels driven.",
    how=(
        "The level is raised until distortion by clipping passes a few percent. How deep each "
        "level is clipped tells the power at which clipping began; those powers are averaged."
    ),
    fooled_by=(
        "A rail that sags makes it lower than the rail at idle says; a supply in current limit "
        "looks like clipping. Power at 1 % distortion lies about 5 % above it."
    ),
)


class ClippingOnset(Step):
    """Power at which clipping sets in, all channels driven.

    A level sweep goes into clipping; the distortion of each clipped level tells how deep it is
    clipped, and so where it began.
    """

    kind: ClassVar[str] = "clipping_onset"
    yields: ClassVar = (judged(CLIPPING_ONSET, "channel"),)

    frequency: Hertz = Field(default=1000.0, gt=0.0)
    into: Fraction = Field(
        default=0.05, gt=0.01, le=0.15, description="how far into clipping the sweep goes"
    )

    def needs(self, view: BenchView) -> Needs:
        most = ONSET_MOST * view.unit.rated_power
        return drive_needs(view, self.channels(view), most, seconds=12.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        watts = 1.05 * view.unit.rated_power
        spread = COVERAGE_FACTOR * watts * power_share(view, watts)
        return Forecast(watts, spread, better=BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        try:
            drive.to_power(BEGIN * ctx.view.unit.rated_power)
            most = ONSET_MOST * ctx.view.unit.rated_power
            series = sweep(drive, drive.capture, self.into, most)
            drive.check_load({c: points[-1].power for c, points in series.items()})
        finally:
            drive.stop()
        for channel, points in series.items():
            _trace(ctx, f"clipping-{self.id}-{channel}", points)
            try:
                onset = clipping_onset(points)
            except NotMeasured as reason:
                yield self.not_measured(CLIPPING_ONSET, reason.found, channel=channel)
                continue
            yield self.reading(
                CLIPPING_ONSET,
                onset,
                channel=channel,
                instruments=(ctx.scope.name,),
                note=f"{len(series)} channel(s) driven",
            )


class _BurstDrive(Drive):
    """Bursts of a sine, one channel at a time, and records taken within a burst."""

    def __init__(
        self, ctx: Context, channel: str, frequency_hz: float, cycles: int, period_s: float
    ) -> None:
        super().__init__(ctx, frequency_hz, (channel,))
        self.cycles = cycles
        self.rest_s = period_s

    def put(self, output: int, level: float) -> None:
        self.ctx.generator.burst(output, self.frequency_hz, level, self.cycles, self.rest_s)

    def end(self) -> None:
        """The generator off, and set to a steady sine again for whoever plays next."""
        self.stop()
        (channel,) = self.channels
        super().put(self.outputs[channel], self.levels[channel])

    def within(self) -> dict[str, Waveform]:
        """The output from the beginning of a burst to shortly before its end.

        Raises:
            NotMeasured: no record lay within a burst.
        """
        (channel,) = self.channels
        probe = self.probes[channel][0]
        for _ in range(LOOKS):
            # The edge found may be the second one, or one in the middle of a burst.
            waves = self.capture(cycles=self.cycles - 2, per_cycle=200, trigger=probe)
            wave = waves[channel]
            shape = envelope(wave.volts, 1.0 / wave.dt_s, self.frequency_hz, clipped=wave.clipped)
            if float(shape.rms.min()) > 0.5 * float(shape.rms.max()):
                return waves
        raise NotMeasured(
            f"none of {LOOKS} records lay within a burst",
            expected=f"{self.cycles - 2} periods after the trigger",
            hint="is the scope's trigger on the channel that is driven?",
        )

    def power_of(self, channel: str, wave: Waveform) -> UFloat:
        return burst_power(
            wave.volts,
            1.0 / wave.dt_s,
            self.frequency_hz,
            load=self.load(channel),
            gain=wave.gain,
            clipped=wave.clipped,
        )


DYNAMIC_HEADROOM = Measurand(
    "dynamic_headroom",
    "dB",
    what="Power of short bursts at the stated distortion over rated power.",
    how=(
        "20 ms of 1 kHz every half second into one channel and its load; the scope looks "
        "inside the burst; the level is raised until the distortion is reached."
    ),
    fooled_by=(
        "0 dB is not a fault: it means that the supply is stiff. The bench supply stands in for "
        "the unit's own, whose reservoirs and transformer make the real headroom."
    ),
)
BURST_POWER = Measurand(
    "burst_power",
    "W",
    what="The power within the bursts that the headroom is worked out from.",
    how="As dynamic_headroom. Shown, not judged.",
    fooled_by="Only one channel is driven.",
)


class DynamicHeadroom(Step):
    """How much more power short bursts may have than the rating, dB.

    Bursts of 20 periods of 1 kHz every half second: the reservoirs carry what the supply does
    not. One channel at a time, as two outputs of a generator do not burst together.
    """

    kind: ClassVar[str] = "dynamic_headroom"
    yields: ClassVar = (judged(DYNAMIC_HEADROOM, "channel"), shown(BURST_POWER, "channel"))

    frequency: Hertz = Field(default=1000.0, gt=0.0)
    cycles: int = Field(default=20, ge=16, le=1000)
    period: Seconds = Field(default=0.5, gt=0.0)
    at_distortion: Fraction = Field(default=0.01, gt=0.0, le=0.1)

    def needs(self, view: BenchView) -> Needs:
        view.driven_alone(self.channels(view))
        # A burst is a small share of its period: so is the mean power.
        share = min(self.cycles / self.frequency / self.period, 1.0)
        most = BURST_MOST * view.unit.rated_power * share
        needs = drive_needs(view, self.channels(view), most, seconds=30.0)
        return replace(needs, generator=frozenset({"burst"}))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # Half as many dB to a share of power as to one of voltage.
        return decibels(0.5 * power_share(view, view.unit.rated_power), 0.5, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        rated = ctx.view.unit.rated_power
        for channel in self.channels(ctx.view):
            drive = _BurstDrive(ctx, channel, self.frequency, self.cycles, self.period)
            names = (ctx.scope.name,)
            try:
                series = sweep(drive, drive.within, self.at_distortion, BURST_MOST * rated)[channel]
                found = power_at_distortion(series, self.at_distortion)
            except NotMeasured as reason:
                yield self.not_measured(DYNAMIC_HEADROOM, reason.found, channel=channel)
                continue
            finally:
                drive.end()
            note = f"{self.cycles} periods every {self.period:g} s, one channel driven"
            yield self.reading(
                DYNAMIC_HEADROOM,
                dynamic_headroom_db(found.power, rated),
                channel=channel,
                bound=found.bound,
                instruments=names,
                note=note,
            )
            yield self.reading(
                BURST_POWER,
                found.power,
                channel=channel,
                bound=found.bound,
                instruments=names,
                note=note,
            )


BURST_THD = Measurand(
    "burst_thd",
    "%",
    title="THD within bursts",
    what="The harmonics (2nd to 20th) within a burst of a sine, over the sine itself.",
    how=(
        "Bursts of a fifth of a second, one a second, at the stated power into one channel and its "
        "load; the scope looks inside a burst from its beginning."
    ),
    fooled_by=(
        "A bench supply that is slow to follow: a rail that it lets sag clips the burst, and the "
        "unit's own supply might not. Only one channel is driven, as two outputs of a generator do "
        "not burst together."
    ),
    contact="The bursts themselves, seen through the same lead.",
)


class _SwitchedDrive(_BurstDrive):
    """A tone that is switched on and looked at as soon as can be, by a generator without bursts."""

    def put(self, output: int, level: float) -> None:
        Drive.put(self, output, level)

    def within(self) -> dict[str, Waveform]:
        levels, clock = dict(self.levels), self.ctx.clock
        self.stop()
        until = clock.now() + self.rest_s

        def rested() -> bool | None:
            return True if clock.now() >= until else None

        self.ctx.wait_until(
            rested, every_s=0.2, at_most_s=10.0 * self.rest_s, what="the rails to rest"
        )
        self.set(levels)
        return self.capture(cycles=self.cycles - 2, per_cycle=200)


#: of the stated power: an output that gives less distorts more where it is made to give it, so that
#: what was read there can fail it and never pass it (our own choice)
REACHED = 0.9


class BurstDistortion(Step):
    """Distortion within bursts at a stated power: rails that hold under a steady tone may give way
    when one begins. A generator that has no bursts switches the tone on instead.
    """

    kind: ClassVar[str] = "burst_distortion"
    yields: ClassVar = (judged(BURST_THD, "channel"),)

    power: WattsExpression | None = Field(None, description="within a burst; rated_power if none")
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    cycles: int = Field(default=200, ge=16, le=1000, description="periods of the tone in a burst")
    period: Seconds = Field(default=1.0, gt=0.0, description="from one burst to the next")

    def _watts(self, view: BenchView) -> float:
        if self.power is None:
            return view.unit.rated_power
        return self.power.evaluate_in("W", view.unit.names())

    def needs(self, view: BenchView) -> Needs:
        view.driven_alone(self.channels(view))
        share = min(self.cycles / self.frequency / self.period, 1.0)
        seconds = 2.6 * self.period * len(self.channels(view))
        needs = drive_needs(view, self.channels(view), share * self._watts(view), seconds=seconds)
        peak = HEADROOM * math.sqrt(2.0 * self._watts(view) * view.unit.rated_load)
        record = ScopeRecord(needs.record.points if needs.record else 0, peak_v=peak)
        bursts = frozenset({"burst"} if plays_bursts(view) else ())
        return replace(needs, generator=bursts, record=record)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        floor = 100.0 * distortion_floor(view, 1.0)
        spread = COVERAGE_FACTOR * 0.5 * floor
        return Forecast(floor, spread, floor=floor, better="a scope of less distortion")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        watts = self._watts(ctx.view)
        kind, how = _BurstDrive, f"every {self.period:g} s"
        if not plays_bursts(ctx.view):
            kind, how = _SwitchedDrive, "from when the tone was switched on"
        for channel in self.channels(ctx.view):
            drive = kind(ctx, channel, self.frequency, self.cycles, self.period)
            try:
                drive.set({channel: drive.level_for(channel, BEGIN * watts)})
                seen = drive.within()[channel]
                # What is within a burst is a sine: its level there tells the gain.
                drive.gain[channel] = seen.rms_v / drive.levels[channel]
                drive.set({channel: drive.level_for(channel, watts)})
                wave = drive.within()[channel]
                found = distortion(
                    wave.volts, 1.0 / wave.dt_s, self.frequency, clipped=wave.clipped
                )
                reached = float(drive.power_of(channel, wave).nominal_value)
            except NotMeasured as reason:
                yield self.not_measured(BURST_THD, reason.found, channel=channel)
                continue
            finally:
                drive.end()
            floor = floor_felt(found, distortion_floor(ctx.view, level_seen(ctx, wave)))
            felt = harmonics_felt(ctx, f"out.{channel}", found)
            thd = above_distortion(found.thd.value * felt, floor)
            short = reached < REACHED * watts
            if short and thd.bound is not Bound.EXACT:
                told = f"{reached:.3g} W within a burst, not {watts:.3g} W"
                yield self.not_measured(BURST_THD, told, channel=channel)
                continue
            yield self.reading(
                BURST_THD,
                100.0 * thd.value,
                channel=channel,
                bound=Bound.AT_LEAST if short else thd.bound,
                instruments=(ctx.scope.name, ctx.generator.name),
                note=f"{self.cycles} periods {how}, {reached:.3g} W in them",
            )


def _trace(ctx: Context, name: str, points: list[PowerPoint]) -> None:
    rising = sorted(points, key=lambda p: float(p.power.nominal_value))
    ctx.trace(
        name,
        {
            "power_w": [float(p.power.nominal_value) for p in rising],
            "thd": [float(p.distortion.nominal_value) for p in rising],
        },
    )
