"""The output with its load and without it: source impedance, and whether it stays still."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.expression import WattsExpression
from seqrun.measure import transfer
from seqrun.measure.uncertain import mean, scatter_of_mean
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Hookup, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz
from seqrun.steps.at_peak import LEAST_RATES, Looks, looks_at, loudest
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.dirt import clip_moved, load_u_share
from seqrun.steps.common.drive import Drive, recorded
from seqrun.steps.common.forecasts import near_limit, scope_share
from seqrun.steps.common.tone import fundamental, peak_expected
from seqrun.values import COVERAGE_FACTOR, Bound, normal, rectangular

RATIO_U = 1e-5  # of two rms on one range, by the scatter of many samples
ABOVE_HZ = 100e3  # what lies above it is stray
ONE_LOOK = (1.0,)
QUIET = 0.01  # of the step's power: about rest


def key_of(step_id: str) -> str:
    """Under which a step keeps what it saw of the outputs without their loads."""
    return f"unloaded {step_id}"


SOURCE_IMPEDANCE = Measurand(
    "source_impedance",
    "Ω",
    what="The resistance that the output behaves as if it had inside, relay contacts included.",
    how=(
        "A steady tone; the output with its load, without it, and with it again, on one scope "
        "range. What it falls by under the load tells the resistance."
    ),
    fooled_by=(
        "Leads between terminals and load count unless the probe is at the terminals; a level "
        "that drifts; a load that was not really off."
    ),
    contact="The driven tone itself, with and without the load.",
)
DAMPING_FACTOR = Measurand(
    "damping_factor",
    "",
    what="The rated load over the source impedance: how firmly the output holds a speaker.",
    how="Worked out from source_impedance.",
    fooled_by="A burnt relay contact of a few tenths of an ohm ruins it, and the unit still plays.",
)


class _LoadOnAndOff(AtPower):
    """What the output does when its load is taken off: source impedance and damping factor."""

    frequency: Hertz = Field(default=1000.0, gt=0.0)
    repeats: int = Field(default=3, ge=1, le=100)
    unloaded_power: WattsExpression | None = Field(
        None,
        description="without its load the output is also looked at with the voltage that would "
        "give this power into it, for a stray_unloaded step",
    )

    def needs(self, view: BenchView) -> Needs:
        channels = len(self.channels(view))
        needs = self.needs_at_power(view, 1.7 * channels, self._louder(view))
        return replace(needs, acts=2 * channels)

    def _louder(self, view: BenchView) -> float:
        """How many times the step's power the output without its load is looked at with."""
        if self.unloaded_power is None:
            return 1.0
        watts = self.unloaded_power.evaluate_in("W", view.unit.names())
        return max(1.0, watts / self.planned_watts(view))

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # The scope's error cancels; its steps over many samples and the load's value are left.
        load = view.unit.rated_load
        ohms = near_limit(self, view, load / 100.0)
        if of == DAMPING_FACTOR:
            ohms = load / near_limit(self, view, 100.0)
        clips = 2.0 if view.unit.bridged else 1.0
        clip = math.sqrt(clips) * view.bench.dirt.clip_contact / math.sqrt(3.0)
        warm = load_u_share(view, self.planned_watts(view))
        u = math.hypot(warm * ohms, RATIO_U * load, clip)
        better = "more repeats, or a load measured more closely"
        if of == DAMPING_FACTOR:
            spread = COVERAGE_FACTOR * u * load / ohms**2
            return Forecast(load / ohms, spread, better=better)
        return Forecast(ohms, COVERAGE_FACTOR * u, better=better)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        stray: dict[str, Looks | str] = {}
        ctx.keep(key_of(self.id), stray)
        for channel in self.channels(ctx.view):
            try:
                found = self._of(ctx, channel, stray)
            except NotMeasured as reason:
                yield self.not_measured(self.judges[0], reason.found, channel=channel)
                continue
            buried = found.bound is not Bound.EXACT
            for quantity, value, bound in (
                (SOURCE_IMPEDANCE, found.impedance_ohm, Bound.AT_MOST),
                (DAMPING_FACTOR, found.damping_factor, Bound.AT_LEAST),
            ):
                yield self.reading(
                    quantity,
                    value,
                    channel=channel,
                    bound=bound if buried else Bound.EXACT,
                    instruments=(ctx.scope.name,),
                    note=f"{self.frequency:g} Hz",
                )

    def _of(
        self, ctx: Context, channel: str, stray: dict[str, Looks | str]
    ) -> transfer.SourceAndDamping:
        view = ctx.view
        load, point = view.load(channel), view.point(f"out.{channel}")
        terminal = f"load.{load.name}.1"
        on = Hookup(((terminal, point.hot),), f"load {load.name} back onto {point.hot}")
        drive = Drive(ctx, self.frequency, (channel,))
        try:
            drive.to_power(self.watts(ctx))
            levels = dict(drive.levels)
            before = self._read(drive, channel)
            # The tone is off while hands are at the terminals.
            drive.stop()
            ctx.disconnect(terminal, f"one lead of load {load.name} off {point.hot}")
            try:
                drive.set(levels)
                unloaded = self._read(drive, channel)
                stray |= self._stray(drive, channel)
            finally:
                drive.stop()
                ctx.connect(on)
            drive.set(levels)
            after = self._read(drive, channel)
        finally:
            drive.stop()
        drift = abs(float((after - before).nominal_value))
        loaded = 0.5 * (before + after) + rectangular(0.0, 0.5 * drift, "drift of the level")
        watts = float(loaded.nominal_value) ** 2 / load.resistance
        return transfer.source_impedance(
            unloaded,
            loaded,
            drive.load(channel, watts),
            view.unit.rated_load,
            self._contacts(ctx, channel),
        )

    @staticmethod
    def _contacts(ctx: Context, channel: str) -> UFloat:
        """What of the load's clips is between unit and probes, Ω: of a bridge at both ends."""
        found = clip_moved(ctx)
        return found if ctx.view.scope_on(f"out.{channel}")[1] is None else found + clip_moved(ctx)

    def _stray(self, drive: Drive, channel: str) -> dict[str, Looks | str]:
        """What is far above the band, or why it was not seen: the impedance does not hang on it.

        Looked at about rest as well as on the tips: a stage may be stable at one and not at the
        other.
        """
        own = dict(drive.levels)
        looks: Looks = []
        louder = self._louder(drive.ctx.view)
        powers = (1.0,) if louder == 1.0 else (QUIET, 1.0, louder)
        try:
            for power in powers:
                drive.set({c: level * math.sqrt(power) for c, level in own.items()})
                looks += looks_at(drive, ABOVE_HZ, self._peak_v(drive, channel), ONE_LOOK)[channel]
        except NotMeasured as reason:
            return {channel: reason.found}
        return {channel: looks}

    def _read(self, drive: Drive, channel: str) -> UFloat:
        """The tone's rms, mean of the repeats, all on one range."""
        peak = self._peak_v(drive, channel)
        found = [
            fundamental(drive.capture(peak_v=peak)[channel], self.frequency)
            for _ in range(self.repeats)
        ]
        return _mean(found)

    def _peak_v(self, drive: Drive, channel: str) -> float:
        """Without its load the output rises, by half behind contacts as bad as half the load."""
        return 1.6 * peak_expected(drive, channel)


def _mean(values: Sequence[UFloat]) -> UFloat:
    middle = mean(values)
    if len(values) < 2:
        return middle
    scatter = scatter_of_mean([float(v.nominal_value) for v in values])
    return middle + normal(0.0, scatter, "scatter of the repeats", len(values) - 1)


class SourceImpedance(_LoadOnAndOff):
    """Source impedance of the output, from how it falls under its load."""

    kind: ClassVar[str] = "source_impedance"
    yields: ClassVar = (judged(SOURCE_IMPEDANCE, "channel"), shown(DAMPING_FACTOR, "channel"))


class DampingFactor(_LoadOnAndOff):
    """Damping factor: the rated load over the source impedance."""

    kind: ClassVar[str] = "damping_factor"
    yields: ClassVar = (judged(DAMPING_FACTOR, "channel"), shown(SOURCE_IMPEDANCE, "channel"))


STRAY_UNLOADED = Measurand(
    "stray_unloaded",
    "V",
    title="stray signal without a load",
    what=(
        "The largest rms, over 20 µs, of what lies above 100 kHz at an output whose load is off: a "
        "stage that only the load damps oscillates without it."
    ),
    how="Looked at by the step that takes the load off to read the source impedance.",
    fooled_by="As the stray signal at power.",
    contact="The driven tone through the probe; for the load, the word of whoever took it off.",
)


class StrayUnloaded(Step):
    """Anything far above the audio band while a ``source_impedance`` step had the load off."""

    kind: ClassVar[str] = "stray_unloaded"
    yields: ClassVar = (judged(STRAY_UNLOADED, "channel"),)

    of: str = Field(description="id of a source_impedance or damping_factor step")

    def needs(self, view: BenchView) -> Needs:
        return recorded(Needs(frozenset({"scope"}), seconds=0.0), LEAST_RATES * ABOVE_HZ, 0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        value = near_limit(self, view, 0.01)
        return Forecast(value, COVERAGE_FACTOR * value * scope_share(view, value))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        kept = ctx.kept(key_of(self.of))
        if not isinstance(kept, dict):
            raise NotMeasured(
                f"'{self.of}' has taken no load off",
                expected="a source_impedance step, done before this one",
                where=self.id,
            )
        for channel in self.channels(ctx.view):
            seen = kept.get(channel, f"'{self.of}' has not looked at it without its load")
            if isinstance(seen, str):
                yield self.not_measured(STRAY_UNLOADED, seen, channel=channel)
            else:
                yield loudest(self, STRAY_UNLOADED, ctx, channel, seen, ABOVE_HZ)
