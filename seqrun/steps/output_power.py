"""Output power at a stated distortion, all channels driven."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.expression import HertzExpression, WattsExpression
from seqrun.measure.bounds import Bounded, above_distortion
from seqrun.measure.distortion import Distortion, distortion
from seqrun.measure.power import PowerPoint, power_at_distortion
from seqrun.measure.weighting import BAND_HZ
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, Yields, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Fraction, Hertz
from seqrun.steps.common.bench_floor import distortion_floor, level_seen
from seqrun.steps.common.dirt import harmonics_felt, load_u_share
from seqrun.steps.common.drive import CYCLES, Drive, Waveform, drive_needs
from seqrun.steps.common.forecasts import scope_share
from seqrun.steps.common.whole import held_whole
from seqrun.steps.distortion import THD, floor_felt
from seqrun.values import COVERAGE_FACTOR, Bound

LEAST_CYCLES = 20  # of a record, at frequencies where more would take seconds
SHOWN_CYCLES = 3  # of the waveform that goes on record
SHOWN_HZ = 20e3  # upper end of the spectrum that goes on record
#: times rated power: the most that is driven, and that loads and supply are planned for; a unit on
#: rails that do not sag gives more than its rating (our own choice)
MOST_OF_RATED = 1.3
SAME = 1e-3  # a level that is higher by no more than this is the same


@dataclass
class _LevelSearch:
    """The level at which one channel reaches the wanted distortion, closing in from both sides."""

    level: float
    below: float | None = None
    above: float | None = None
    points: list[PowerPoint] = field(default_factory=list)
    thd_below: float = 0.0
    thd_above: float = 0.0

    def note(self, point: PowerPoint, thd: float, target: float) -> None:
        """Take in what was read at the present level."""
        self.points.append(point)
        if thd < target:
            if self.below is None or self.level > self.below:
                self.below, self.thd_below = self.level, thd
        elif self.above is None or self.level < self.above:
            self.above, self.thd_above = self.level, thd

    def next(self, target: float) -> float:
        """The level to try next."""
        if self.above is None:
            return 1.06 * self.level
        if self.below is None:
            return 0.8 * self.level
        share = 0.5
        if self.thd_below > 0.0 and self.thd_above > self.thd_below:
            share = math.log(target / self.thd_below) / math.log(self.thd_above / self.thd_below)
        return self.below + min(max(share, 0.1), 0.9) * (self.above - self.below)

    def found(self, near: float) -> bool:
        """Closed in to a relative width of ``near``."""
        return (
            self.below is not None
            and self.above is not None
            and self.above - self.below <= near * self.above
        )


def _thd(ctx: Context, channel: str, found: Distortion, wave: Waveform) -> Bounded:
    """The distortion with the bench's own in its budget."""
    floor = floor_felt(found, distortion_floor(ctx.view, level_seen(ctx, wave)))
    felt = harmonics_felt(ctx, f"out.{channel}", found)
    return above_distortion(found.thd.value * felt, floor)


class _PowerDrive(Drive):
    """Records of a second at most, where that still holds periods enough to read distortion by."""

    def capture(self, *, cycles: int = CYCLES, **how: Any) -> dict[str, Waveform]:
        """As :meth:`Drive.capture`."""
        return super().capture(
            cycles=max(min(cycles, round(self.frequency_hz)), LEAST_CYCLES), **how
        )


OUTPUT_POWER = Measurand(
    "output_power",
    "W",
    what=(
        "The power into the load at which distortion reaches the stated value, all channels driven."
    ),
    how=(
        "The level of each channel is closed in on from both sides; power is V²/R with "
        "the load's measured resistance, interpolated to the distortion (IEC 60268-3)."
    ),
    fooled_by=(
        "A load of another value than on its label, or hot; a supply in current limit; "
        "distortion that is not clipping. 'At least' means that it did not distort that much at "
        "1.3 times its rated power, the most that loads and supply are planned for."
    ),
)
SUPPLY_CURRENT = Measurand(
    "supply_current",
    "A",
    what="The current from one rail of the supply at the power point.",
    how="The supply's own read-back while the unit is driven. Shown, not judged.",
    fooled_by="It is a mean: peaks come from the reservoirs.",
)


class OutputPower(Step):
    """Output power at a stated distortion, all channels driven at once into their loads.

    The level of each channel is closed in on until the distortion is bracketed tightly; the power
    is interpolated between the two sides (IEC 60268-3; 16 CFR 432 for channels driven together).
    """

    kind: ClassVar[str] = "output_power"
    yields: ClassVar[tuple[Yields, ...]] = (
        judged(OUTPUT_POWER, "channel"),
        shown(THD, "channel"),
        shown(SUPPLY_CURRENT, "rail"),
    )

    at_distortion: Fraction = Field(default=0.01, gt=0.0, le=0.5)
    frequency: Hertz | HertzExpression = 1000.0
    start: WattsExpression | None = None
    near: float = Field(default=0.01, gt=0.0, lt=0.2)
    tries: int = Field(default=25, ge=4, le=100)

    def needs(self, view: BenchView) -> Needs:
        most = MOST_OF_RATED * view.unit.rated_power
        return drive_needs(view, view.unit.channels, most, seconds=3.5)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        watts = 1.1 * view.unit.rated_power
        u_volts = scope_share(view, view.unit.rated_voltage * math.sqrt(2.0))
        of_load = load_u_share(view, watts)
        u = watts * math.hypot(2.0 * u_volts, of_load)
        better = (
            "a scope of better gain accuracy"
            if 2.0 * u_volts > of_load
            else "a load measured more closely"
        )
        return Forecast(watts, COVERAGE_FACTOR * u, better=better)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        drive = _PowerDrive(ctx, ctx.evaluate(self.frequency, "Hz"))
        start = ctx.evaluate(self.start, "W") if self.start else 0.5 * ctx.view.unit.rated_power
        target = self.at_distortion
        unit = ctx.view.unit
        highest = 1.4 * unit.largest_peak / math.sqrt(2.0)
        planned = math.sqrt(MOST_OF_RATED * unit.rated_power * unit.rated_load)
        searches = {c: _LevelSearch(drive.level_for(c, start)) for c in drive.channels}
        reasons: dict[str, str] = {}
        try:
            for turn in drive.turns:
                its = {c: searches[c] for c in turn}
                reasons |= self._close_in(drive, its, target, highest, planned)
            drive.check_load({c: s.points[-1].power for c, s in searches.items() if s.points})
            yield from self._results(ctx, drive, searches, reasons)
        finally:
            drive.stop()

    def _close_in(
        self,
        drive: Drive,
        searches: Mapping[str, _LevelSearch],
        target: float,
        highest: float,
        planned: float,
    ) -> dict[str, str]:
        """Close in on the distortion in channels that have levels of their own; why it was not
        read, where the last look gave none.

        Args:
            highest: level at an output, V rms, beyond which nothing is to be learnt. planned:
                the same, for which loads, supply and trips were planned.
        """
        reasons: dict[str, str] = {}
        for _ in range(self.tries):
            drive.set({c: s.level for c, s in searches.items()})
            waves = held_whole(drive.capture)
            for channel, search in searches.items():
                try:
                    power, thd = self._read(drive, channel, waves[channel])
                except NotMeasured as reason:
                    reasons[channel] = reason.found
                    continue
                reasons.pop(channel, None)
                search.note(PowerPoint(power, thd), float(thd.nominal_value), target)
            worst = max(
                (s.points[-1].distortion.nominal_value for s in searches.values() if s.points),
                default=0.0,
            )
            drive.ctx.progress(f"distortion {100.0 * worst:.3g} %")
            if set(reasons) == set(searches):
                break
            going_on = False
            for channel, search in searches.items():
                if channel in reasons or search.found(self.near):
                    continue
                cap = highest / max(drive.gain[c] for c in drive.alike(channel))
                cap = min(cap, planned / drive.gain[channel])
                cap = min(cap, drive.most_level)
                level = min(search.next(target), cap)
                # Where not even the highest level distorts so much, there is no more to try.
                going_on |= search.above is not None or level > (1.0 + SAME) * search.level
                search.level = level
            if not going_on:
                break
        return reasons

    def _read(self, drive: Drive, channel: str, wave: Waveform) -> tuple[UFloat, UFloat]:
        found = self._distortion(wave, drive.frequency_hz)
        power = drive.power_of(channel, wave)
        drive.gain[channel] = float(found.fundamental_rms.nominal_value) / drive.levels[channel]
        return power, _thd(drive.ctx, channel, found, wave).value

    def _distortion(self, wave: Waveform, frequency_hz: float) -> Distortion:
        return distortion(
            wave.volts,
            1.0 / wave.dt_s,
            frequency_hz,
            band_hz=(min(BAND_HZ[0], 0.5 * frequency_hz), max(BAND_HZ[1], 1.1 * frequency_hz)),
            gain=wave.gain,
            clipped=wave.clipped,
        )

    def _results(
        self,
        ctx: Context,
        drive: Drive,
        searches: Mapping[str, _LevelSearch],
        reasons: Mapping[str, str],
    ) -> Iterator[Yielded]:
        target = self.at_distortion
        for channel, search in searches.items():
            if channel in reasons or not search.points:
                why = reasons.get(channel, "no reading")
                yield self.not_measured(OUTPUT_POWER, why, channel=channel)
                continue
            powers = sorted((p.power for p in search.points), key=lambda p: p.nominal_value)
            if search.below is None:
                power, bound = powers[0], Bound.AT_MOST
                note = f"more than {100.0 * target:g} % distortion at every level"
            elif search.above is None:
                power, bound = powers[-1], Bound.AT_LEAST
                why = (
                    f"the generator gives no more than {drive.most_level:.3g} V"
                    if search.level >= drive.most_level
                    else f"no more than {MOST_OF_RATED:g} times its rated power is asked of a unit"
                )
                note = f"below {100.0 * target:g} % distortion at every level up to that, and {why}"
            else:
                found = power_at_distortion(search.points, target)
                power, bound = found.power, found.bound
                note = f"at {100.0 * target:g} % distortion, {len(searches)} channel(s) driven"
            yield self.reading(
                OUTPUT_POWER,
                power,
                channel=channel,
                bound=bound,
                instruments=(ctx.scope.name,),
                note=note,
            )
        yield from self._at_the_point(ctx, drive, searches, reasons)

    def _at_the_point(
        self,
        ctx: Context,
        drive: Drive,
        searches: Mapping[str, _LevelSearch],
        reasons: Mapping[str, str],
    ) -> Iterator[Yielded]:
        """Waveform and spectrum at the power point, and the supply's current there."""
        target = self.at_distortion
        drive.set(
            {c: s.next(target) if s.below and s.above else s.level for c, s in searches.items()}
        )
        waves = drive.capture()
        shape: dict[str, list[float]] = {}
        lines: dict[str, list[float]] = {}
        for channel, wave in waves.items():
            if channel in reasons:
                continue
            shown = min(wave.volts.size, round(SHOWN_CYCLES / (drive.frequency_hz * wave.dt_s)))
            shape.setdefault("time_s", (np.arange(shown) * wave.dt_s).tolist())
            shape[f"volts_{channel}"] = wave.volts[:shown].tolist()
            full = 1.2 * ctx.view.unit.largest_peak
            name = f"waveform-{self.id}-{channel}"
            ctx.sound(name, wave.volts, 1.0 / wave.dt_s, full)
            found = self._distortion(wave, drive.frequency_hz)
            spectrum = found.spectrum
            upto = min(int(SHOWN_HZ / spectrum.bin_hz) + 1, spectrum.power.size)
            rms = np.maximum(spectrum.line_rms()[1:upto], 1e-12)
            lines.setdefault("frequency_hz", spectrum.frequency_hz[1:upto].tolist())
            reference = float(found.fundamental_rms.nominal_value)
            lines[f"db_{channel}"] = (20.0 * np.log10(rms / reference)).tolist()
            thd = _thd(ctx, channel, found, wave)
            yield self.reading(
                THD,
                100.0 * thd.value,
                channel=channel,
                bound=thd.bound,
                instruments=(ctx.scope.name,),
            )
        if len(shape) > 1:
            ctx.trace(f"waveform-{self.id}", shape)
            ctx.trace(f"spectrum-{self.id}", lines)
        for rail, output in ctx.view.rails.items():
            yield self.reading(
                SUPPLY_CURRENT,
                ctx.supply.current(output),
                channel=rail,
                instruments=(ctx.supply.name,),
            )
