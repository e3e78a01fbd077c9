"""Holding a power for a stated time: preconditioning, and what is left after it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import WattsExpression
from seqrun.plan.needs import Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Hertz, Seconds, render
from seqrun.steps.audio import OutputPower
from seqrun.steps.base import Context, Explained, Measured, Step
from seqrun.steps.drive import Drive
from seqrun.steps.sink import driven_and_watched, let_pass, read_temperature, watch_sink
from seqrun.values import Reading


class _Hold(Step):
    """What it takes to hold a power."""

    power: WattsExpression
    hold: Seconds = Field(alias="for", gt=0.0, description='how long, such as "1 h" or "5 min"')
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    at: str = "sensor.sink"
    every: Seconds = Field(default=5.0, ge=1.0)

    def held(self, ctx: Context) -> Iterator[Measured]:
        """Hold it, and tell what came out at the end; none of it is judged."""
        watch_sink(ctx)
        drive = Drive(ctx, self.frequency)
        try:
            drive.to_power(ctx.evaluate(self.power, "W"))
            let_pass(ctx, self.hold, every_s=self.every, timed=True)
            powers = drive.powers()
            drive.check_load(powers)
        finally:
            drive.stop()
        note = f"after {render(self.hold, 's')} at {self.frequency:g} Hz, all channels driven"
        for channel, watts in powers.items():
            yield Measured(
                "held_power",
                "W",
                watts,
                channel=channel,
                instruments=(ctx.scope.name,),
                note=note,
                judged=False,
            )
        yield Measured(
            "held_sink_temperature",
            "°C",
            read_temperature(ctx, self.at, 3),
            instruments=(ctx.meter.name,),
            judged=False,
        )

    def hold_needs(self, view: BenchView, watts: float, seconds: float) -> Needs:
        """Of the holding and ``seconds`` more, with at most ``watts`` into each load."""
        return driven_and_watched(view, self.at, watts, self.hold + seconds)


class HoldPower(_Hold):
    """Drive all channels at a power for a time, whatever the heat does: preconditioning.

    The heatsink's sensor is watched, so that a trip on its temperature can act.
    """

    kind: ClassVar[str] = "hold_power"
    unit: ClassVar[str] = "W"
    quantity: ClassVar[str] = "held_power"
    explains: ClassVar = {
        "held_power": Explained(
            "W",
            "The power into each load at the end of the time that it was held.",
            "A sine into all channels at a level that gives the stated power; V²/R by the scope at "
            "the end, at the same level.",
            "A unit that gets hot may lose a little gain: the power at the end is what counts.",
        ),
        "held_sink_temperature": Explained(
            "°C",
            "The temperature of the heatsink at the end of that time.",
            "As sink_temperature. Shown, not judged.",
            "As sink_temperature.",
        ),
    }

    def needs(self, view: BenchView) -> Needs:
        return self.hold_needs(view, self.power.evaluate_in("W", view.unit.names()), 5.0)

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        yield from self.held(ctx)


class SustainedPower(_Hold, OutputPower):
    """Hold a power for a time, and then, hot as the unit is, read the output power at a stated
    distortion, all channels driven."""

    kind: ClassVar[str] = "sustained_power"
    unit: ClassVar[str] = "W"
    quantity: ClassVar[str] = "output_power"

    def needs(self, view: BenchView) -> Needs:
        power = OutputPower.needs(self, view)
        most = max(power.load_power_w.values(), default=0.0)
        return replace(self.hold_needs(view, most, 15.0), forecast=power.forecast)

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        try:
            yield from self.held(ctx)
        except NotMeasured as reason:
            # A unit that cannot give it shows by how much: that decides, and not the holding.
            ctx.say(f"{self.id}: {reason.found}; read without having held it")
        yield from OutputPower.perform(self, ctx)
