"""Holding a power for a stated time: preconditioning, and what is left after it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import HertzExpression, WattsExpression
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds, render
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.sink import driven_and_watched, let_pass, read_temperature, watch_sink
from seqrun.steps.distortion import THD
from seqrun.steps.output_power import OUTPUT_POWER, SUPPLY_CURRENT, OutputPower
from seqrun.values import Bound


class _Hold(Step):
    """What it takes to hold a power."""

    power: WattsExpression
    hold: Seconds = Field(alias="for", gt=0.0, description='how long, such as "1 h" or "5 min"')
    frequency: Hertz | HertzExpression = 1000.0
    at: str = "sensor.sink"
    every: Seconds = Field(default=5.0, ge=1.0)

    def held(self, ctx: Context) -> Iterator[Yielded]:
        """Hold it, and tell what came out at the end; none of it is judged."""
        watch_sink(ctx)
        frequency = ctx.evaluate(self.frequency, "Hz")
        drive = Drive(ctx, frequency)
        try:
            drive.to_power(ctx.evaluate(self.power, "W"))
            let_pass(ctx, self.hold, every_s=self.every, timed=True)
            powers = drive.powers()
            drive.check_load(powers)
        finally:
            drive.stop()
        note = f"after {render(self.hold, 's')} at {frequency:g} Hz, all channels driven"
        for channel, watts in powers.items():
            yield self.reading(
                HELD_POWER,
                watts,
                channel=channel,
                instruments=(ctx.scope.name,),
                note=note,
            )
        yield self.reading(
            HELD_SINK_TEMPERATURE,
            read_temperature(ctx, self.at, 3),
            instruments=(ctx.meter.name,),
        )

    def hold_needs(self, view: BenchView, watts: float, seconds: float) -> Needs:
        """Of the holding and ``seconds`` more, with at most ``watts`` into each load."""
        return driven_and_watched(view, self.at, watts, self.hold + seconds)


HELD_POWER = Measurand(
    "held_power",
    "W",
    what="The power into each load at the end of the time that it was held.",
    how=(
        "A sine into all channels at a level that gives the stated power; V²/R by the scope at "
        "the end, at the same level."
    ),
    fooled_by="A unit that gets hot may lose a little gain: the power at the end is what counts.",
)
HELD_SINK_TEMPERATURE = Measurand(
    "held_sink_temperature",
    "°C",
    what="The temperature of the heatsink at the end of that time.",
    how="As sink_temperature. Shown, not judged.",
    fooled_by="As sink_temperature.",
)


class HoldPower(_Hold):
    """Drive all channels at a power for a time, whatever the heat does: preconditioning.

    The heatsink's sensor is watched, so that a trip on its temperature can act.
    """

    kind: ClassVar[str] = "hold_power"
    yields: ClassVar = (shown(HELD_POWER, "channel"), shown(HELD_SINK_TEMPERATURE))

    def needs(self, view: BenchView) -> Needs:
        return self.hold_needs(view, self.power.evaluate_in("W", view.unit.names()), 5.0)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        yield from self.held(ctx)


class SustainedPower(_Hold, OutputPower):
    """Hold a power for a time, and then, hot as the unit is, read the output power at a stated
    distortion, all channels driven."""

    kind: ClassVar[str] = "sustained_power"
    yields: ClassVar = (
        judged(OUTPUT_POWER, "channel"),
        shown(THD, "channel"),
        shown(SUPPLY_CURRENT, "rail"),
        shown(HELD_POWER, "channel"),
        shown(HELD_SINK_TEMPERATURE),
    )

    def needs(self, view: BenchView) -> Needs:
        most = max(OutputPower.needs(self, view).load_power_w.values(), default=0.0)
        return self.hold_needs(view, most, 15.0)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        unheld = ""
        try:
            yield from self.held(ctx)
        except NotMeasured as reason:
            # A unit that cannot give it still shows by how much; one that could proves nothing.
            unheld = f"the power was not held: {reason.found}"
            ctx.say(f"{self.id}: {unheld}")
        for made in OutputPower.perform(self, ctx):
            yield self._without_holding(made, unheld) if unheld and made.judged else made

    def _without_holding(self, made: Yielded, why: str) -> Yielded:
        """What a unit gives before it is hot: it is taken to give no more afterwards (our own
        choice), so this can fail it and never pass it."""
        read = made.reading
        if read.value is None:
            return made
        if read.bound is Bound.AT_LEAST:
            return self.not_measured(OUTPUT_POWER, why, channel=read.channel)
        return replace(made, reading=replace(read, bound=Bound.AT_MOST, note=f"{read.note}; {why}"))
