"""How the unit carries a signal at one frequency: gain, balance, tracking, source impedance."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar, Literal

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import transfer
from seqrun.plan.context import Context
from seqrun.plan.contract import Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz
from seqrun.steps.common import sound_levels
from seqrun.steps.common.at_power import AtPower
from seqrun.steps.common.drive import NEAR, Drive
from seqrun.steps.common.forecasts import (
    BETTER_METER,
    BETTER_SCOPE,
    decibels,
    gain_share,
    power_share,
    scope_share,
)
from seqrun.steps.common.tone import at_input, fundamental, seen
from seqrun.values import student


class _Gains(AtPower):
    """The voltage ratio of every driven channel, by scope and generator or by meter."""

    frequency: Hertz = Field(default=1000.0, gt=0.0)
    by: Literal["scope", "meter"] = Field(
        "scope", description="meter: AC volts at output and input: more accurate, leads are moved"
    )
    repeats: int = Field(default=3, ge=2, le=100)
    holds_levels: ClassVar[bool] = False  # of a sound interface, against the meter

    def needs(self, view: BenchView) -> Needs:
        needs = self.needs_at_power(view, 0.6)
        if self.by == "scope":
            if not (self.holds_levels and sound_levels.asked(view)):
                return needs
            held = sound_levels.hookups(view, self.channels(view))
            return replace(
                needs,
                roles=needs.roles | {"meter"},
                hookups=(*needs.hookups, *held),
                meter={"ac_voltage": None},
                seconds=needs.seconds + 2.0 * len(held),
            )
        points = [f"{end}.{c}" for c in self.channels(view) for end in ("out", "in")]
        meter = tuple(view.meter_across(point) for point in points)
        return replace(
            needs,
            roles=needs.roles | {"meter"},
            hookups=(*needs.hookups, *meter),
            meter={"ac_voltage": None},
            seconds=12.0,
        )

    def share(self, view: BenchView) -> float:
        """Relative standard uncertainty of one gain."""
        if self.by == "scope":
            return gain_share(view, self.planned_watts(view))
        u = view.standard_uncertainty
        return math.hypot(*(u("meter", "ac_voltage", v) / v for v in self._ends(view)))

    def scatter(self, view: BenchView) -> float:
        """Relative standard uncertainty of one gain by meter from its noise alone, as few repeats
        show it."""
        row = view.drivers[view.key("meter")].row
        shares = (row("ac_voltage", v).noise / v for v in self._ends(view))
        return math.hypot(*shares) / math.sqrt(self.repeats) * student(self.repeats - 1.0)

    def unequal(self, view: BenchView) -> float:
        """Relative standard uncertainty of the ratio of two gains by the meter's zero errors.

        They cancel only as far as both channels are driven to one level, which the scope finds.
        """
        row = view.drivers[view.key("meter")].row
        zeros = []
        for volts in self._ends(view):
            at = row("ac_voltage", volts)
            zeros.append(at.zero(at.range or volts) / math.sqrt(3.0) / volts)
        levels = math.hypot(NEAR / math.sqrt(3.0), power_share(view, self.planned_watts(view)))
        return math.hypot(*zeros) * math.sqrt(2.0) * levels / 2.0  # volts go by the root of power

    def _ends(self, view: BenchView) -> tuple[float, float]:
        """What is expected at output and input, V rms."""
        volts = math.sqrt(self.planned_watts(view) * view.unit.rated_load)
        return volts, volts / math.pow(10.0, view.unit.gain / 20.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """Of one gain, dB."""
        return decibels(self.share(view), view.unit.gain, BETTER_METER)

    def gains(self, ctx: Context) -> dict[str, UFloat]:
        """Output over input of each channel, plain ratios."""
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        try:
            drive.to_power(self.watts(ctx))
            if self.by == "meter":
                return self._by_meter(ctx, drive)
            waves = drive.capture()
            out = {c: fundamental(wave, self.frequency) for c, wave in waves.items()}
            into = {c: at_input(ctx, drive, c) for c in waves}
            if self.holds_levels and sound_levels.asked(ctx.view):
                sound_levels.check(ctx, {"out": out, "in": into})
            return {c: out[c] / into[c] for c in waves}
        finally:
            drive.stop()

    def _by_meter(self, ctx: Context, drive: Drive) -> dict[str, UFloat]:
        meter, found = ctx.meter, {}
        for channel in drive.channels:
            volts = []
            for end, expected in (
                ("out", drive.levels[channel] * drive.gain[channel]),
                ("in", drive.levels[channel]),
            ):
                ctx.connect(ctx.view.meter_across(f"{end}.{channel}"))
                meter.configure("ac_voltage", 1.1 * expected, 10.0)
                volts.append(meter.read(self.repeats))
            found[channel] = volts[0] / volts[1]
        return found

    def instruments(self, ctx: Context) -> tuple[str, ...]:
        """What the readings were taken with."""
        if self.by == "meter":
            return (ctx.meter.name,)
        return (ctx.scope.name, ctx.generator.name)


GAIN = Measurand(
    "gain",
    "dB",
    what="Output voltage over input voltage, load on.",
    how=(
        "A sine at a small power; the scope's reading of the output over the generator's set "
        "level (by = 'meter': the meter's AC volts at both). The levels of a sound interface are "
        "held against the meter at both ends."
    ),
    fooled_by=(
        "A generator that is told a wrong load shows twice or half its level (6 dB); a probe "
        "factor set wrong, 20 dB; a volume control that is not fully up."
    ),
)


class Gain(_Gains):
    """Voltage gain from input to output at a small power."""

    kind: ClassVar[str] = "gain"
    yields: ClassVar = (judged(GAIN, "channel"),)
    holds_levels: ClassVar[bool] = True

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        for channel, ratio in self.gains(ctx).items():
            yield self.reading(
                GAIN,
                transfer.decibels(ratio),
                channel=channel,
                instruments=self.instruments(ctx),
                note=f"{self.frequency:g} Hz",
            )


CHANNEL_BALANCE = Measurand(
    "channel_balance",
    "dB",
    what="How much louder the first channel is than another at the same input.",
    how="Both channels driven; the ratio of their gains.",
    fooled_by=(
        "Two generator outputs and two scope channels each have their own error: by = 'meter' "
        "reads both with one. A balance control that is not in the middle."
    ),
    contact="The driven tones themselves: without one there is no gain to compare.",
)


class ChannelBalance(_Gains):
    """Difference in gain between the channels."""

    kind: ClassVar[str] = "channel_balance"
    yields: ClassVar = (judged(CHANNEL_BALANCE, "entry", each="pair of channels"),)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # One meter's error cancels between the channels; two of a scope's do not.
        both = math.sqrt(2.0) * (self.share(view) if self.by == "scope" else self.scatter(view))
        if self.by == "meter":
            both = math.hypot(both, self.unequal(view))
        return decibels(both, 0.0, BETTER_METER)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        if len(ctx.view.unit.channels) < 2 or self.channel:
            raise NotMeasured(
                "one channel alone has no balance",
                expected="a unit of two channels or more, and no each = 'channel'",
                where=self.id,
            )
        found = self.gains(ctx)
        first, *others = found
        for other in others:
            yield self.reading(
                CHANNEL_BALANCE,
                transfer.balance_db(found[first], found[other]),
                channel=f"{first}/{other}",
                instruments=self.instruments(ctx),
                note=f"{self.frequency:g} Hz",
            )


VOLUME_TRACKING = Measurand(
    "volume_tracking",
    "dB",
    what="The largest change of channel balance over the travel of the volume control.",
    how=(
        "Both channels driven alike; the ratio of their outputs at each position, against "
        "that at the loudest."
    ),
    fooled_by=(
        "At the lowest positions noise and hum read as signal; a control that scratches reads "
        "differently each time."
    ),
    contact="The driven tones themselves at each position.",
)
TRACKING_BALANCE = Measurand(
    "tracking_balance",
    "dB",
    what="Channel balance at one position of the volume control; the note tells which.",
    how="As volume_tracking. Shown, not judged.",
    fooled_by="It holds the generator's own balance as well; the change does not.",
)


class VolumeTracking(AtPower):
    """How well two channels stay together as the volume control is turned down.

    ``positions`` are turned to one after another, the loudest first.
    """

    kind: ClassVar[str] = "volume_tracking"
    yields: ClassVar = (
        judged(VOLUME_TRACKING, "several", each="pair of channels"),
        shown(TRACKING_BALANCE, "several", each="position"),
    )

    control: str = Field("volume", description="the control that is turned")
    positions: tuple[str, ...] = Field(min_length=2, description="the loudest first")
    frequency: Hertz = Field(default=1000.0, gt=0.0)

    def needs(self, view: BenchView) -> Needs:
        turns = len(self.positions)
        return replace(self.needs_at_power(view, 0.3 + 0.4 * turns), acts=turns + 1)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """Two channels at two positions, each on the range that fits it."""
        return decibels(2.0 * scope_share(view, 1.0), 0.0, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        if len(ctx.view.unit.channels) < 2 or self.channel:
            raise NotMeasured(
                "one channel alone cannot track another",
                expected="a unit of two channels or more, and no each = 'channel'",
                where=self.id,
            )
        drive = Drive(ctx, self.frequency, self.channels(ctx.view))
        levels: dict[str, list[UFloat]] = {c: [] for c in drive.channels}
        try:
            for position in self.positions:
                ctx.turn(self.control, position)
                if not drive.levels[drive.channels[0]]:
                    drive.to_power(self.watts(ctx))
                for channel, wave in seen(drive).items():
                    levels[channel].append(fundamental(wave, self.frequency))
        finally:
            drive.stop()
        names = (ctx.scope.name,)
        first, *others = levels
        for other in others:
            pair = f"{first}/{other}"
            found = transfer.volume_tracking(levels[first], levels[other])
            for position, balance in zip(self.positions, found.balance_db, strict=True):
                yield self.reading(
                    TRACKING_BALANCE,
                    balance,
                    channel=pair,
                    instruments=names,
                    note=f"{self.control} at {position}",
                )
            yield self.reading(VOLUME_TRACKING, found.largest_db, channel=pair, instruments=names)
