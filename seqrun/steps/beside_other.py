"""What a silent channel gives while another one alone plays loudly, the tone itself aside.

Separation looks for the other channel's tone. What its currents make of a ground or a supply that
both have may be anything else: DC, hum, its half waves.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.measure.changed import OutputState, change_v, output_state
from seqrun.measure.sinefit import fit_sine_4
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.contact import BY_TONE, loudness_at, prove_contact
from seqrun.steps.common.drive import Drive, across
from seqrun.steps.common.quiet_tone import PER_CYCLE, ROOM_V, change_forecast, quiet_needs

RATE_HZ, LEAST_S = 50e3, 0.1  # of a record of a silent channel: whole periods of the mains
LOUD_CYCLES, LOUD_PER_CYCLE = 100, 50

BESIDE_OTHER = Measurand(
    "beside_other",
    "V",
    title="change beside a loud channel",
    what=(
        "By how much the output of a channel without signal changes, DC and all, while another "
        "channel alone plays loudly; that one's tone, which is separation, does not count."
    ),
    how=(
        "The silent output on one small range of the scope, before the other channel plays and "
        "while it does; its tone is taken out by a fit at its own frequency. The reading is the "
        "square root of the sum of the squares of what the DC has changed by and of what has come "
        "to the rest, 5 Hz to 25 kHz."
    ),
    fooled_by=(
        "A common ground lead of the two loads. Harmonics of the loud tone count: what leaks of "
        "them at 60 dB below a channel that distorts 1 % is too little to be seen."
    ),
    contact=BY_TONE,
)


class BesideOther(AtPower):
    """Drive one channel after the other, and look at those that are not driven."""

    kind: ClassVar[str] = "beside_other"
    yields: ClassVar = (judged(BESIDE_OTHER, "several", each="pair of channels"),)

    frequency: Hertz = Field(default=1000.0, ge=200.0, le=5000.0)

    def needs(self, view: BenchView) -> Needs:
        view.driven_alone(self.channels(view))
        needs = quiet_needs(view, view.unit.channels, 1.3 * len(view.unit.channels))
        watts = self.planned_watts(view)
        return replace(
            needs,
            load_power_w=dict.fromkeys(view.unit.channels, watts),
            proved_on=tuple(view.unit.channels),
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return change_forecast(view)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        everyone = tuple(ctx.view.unit.channels)
        if len(everyone) < 2:
            raise NotMeasured(
                "one channel alone has no other beside it",
                expected="a unit of two channels or more",
                where=self.id,
            )
        for driven in self.channels(ctx.view):
            yield from self._beside(ctx, driven, tuple(c for c in everyone if c != driven))

    def _beside(self, ctx: Context, driven: str, others: tuple[str, ...]) -> Iterator[Yielded]:
        drive = Drive(ctx, self.frequency, (driven,))
        rest = Drive(ctx, self.frequency, others)
        for channel in others:
            self._prove(ctx, channel)
        try:
            rest.terminate()
            before = {c: self._look(ctx, drive, c, self.frequency) for c in others}
            drive.set({driven: drive.level_for(driven, self.watts(ctx))})
            frequency = self._frequency(drive, driven)
            now = {c: self._look(ctx, drive, c, frequency) for c in others}
            drive.capture(cycles=LOUD_CYCLES, per_cycle=LOUD_PER_CYCLE, must_play=True)
        finally:
            drive.stop()
            rest.stop()
        for channel in others:
            self._prove(ctx, channel, again=True)
            dc = drive.coupling == "DC"
            change = change_v(before[channel], now[channel], 0.0, tone=False, dc=dc)
            yield self.reading(
                BESIDE_OTHER,
                change.value,
                channel=f"{driven}/{channel}",
                bound=change.bound,
                instruments=(ctx.scope.name,),
                note=f"{driven} driven with {self.frequency:g} Hz",
            )

    @staticmethod
    def _prove(ctx: Context, channel: str, again: bool = False) -> None:
        hot, cold, hookup = ctx.view.scope_on(f"out.{channel}")
        at = f"out.{channel}"
        prove_contact(ctx, at, hookup, partial(loudness_at, ctx, hot, cold), again=again)

    def _frequency(self, drive: Drive, driven: str) -> float:
        """Of the loud tone, by the scope's clock, Hz."""
        wave = drive.capture(cycles=LOUD_CYCLES, per_cycle=PER_CYCLE, must_play=True)[driven]
        fit = fit_sine_4(wave.volts, 1.0 / wave.dt_s, self.frequency, clipped=wave.clipped)
        return float(fit.frequency_hz.nominal_value)

    @staticmethod
    def _look(ctx: Context, drive: Drive, channel: str, frequency_hz: float) -> OutputState:
        """One look at an output without signal."""
        ctx.poll()
        hot, cold, _ = ctx.view.scope_on(f"out.{channel}")
        points = min(round(RATE_HZ * LEAST_S), ctx.scope.max_points)
        got = ctx.scope.acquire(
            {n: ROOM_V for n in (hot, cold) if n is not None},
            sample_rate_hz=points / LEAST_S,
            points=points,
            coupling=drive.coupling,
        )
        wave = across(got, hot, cold)
        return output_state(
            wave.volts,
            1.0 / wave.dt_s,
            frequency_hz,
            gain=wave.gain,
            offset_v=wave.offset_v,
            clipped=wave.clipped,
        )
