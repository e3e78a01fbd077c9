"""Heat and current together: thermal resistance, and how near the bias is to running away."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.expression import WattsExpression
from seqrun.measure.heat import loop_gain, runaway, slope, thermal_resistance
from seqrun.plan.needs import Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Amperes, Hertz, Kelvins, Seconds
from seqrun.steps.base import Context, Explained, Measured, Step
from seqrun.steps.drive import Drive
from seqrun.steps.sink import (
    driven_and_watched,
    idle_and_watched,
    let_pass,
    sink_now,
    watch_sink,
)
from seqrun.values import Bound, Reading, exactly


class ThermalResistance(Step):
    """Thermal resistance from heatsink to air: an earlier settled rise over the heat that made it.

    ``of`` names the soak, ``heat`` a dissipation step at the same power.
    """

    kind: ClassVar[str] = "thermal_resistance"
    unit: ClassVar[str] = "K/W"
    quantity: ClassVar[str] = "thermal_resistance"
    id_fields: ClassVar[tuple[str, ...]] = ("of", "heat")
    explains: ClassVar = {
        "thermal_resistance": Explained(
            "K/W",
            "How many kelvin the heatsink rises over the air for each watt of heat.",
            "The settled rise of a soak over the dissipation at the same power.",
            "Heat that leaves by another way (the transformer's, the cabinet's), a sensor that "
            "has come off, a draught; a value that has grown means a fin that is blocked or a "
            "joint that is dry.",
        )
    }

    of: str = Field(description="id of a soak step")
    heat: str = Field(description="id of a dissipation step at the same power")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        reading, rise = ctx.measured(self.of)[-1]
        if reading.bound is not Bound.EXACT:
            raise NotMeasured(
                f"the rise of '{self.of}' is only known as {reading.bound.value}",
                expected="a rise that has settled",
                where=self.id,
            )
        other, watts = ctx.measured(self.heat)[-1]
        names = sorted({*reading.instruments, *other.instruments})
        yield Measured(
            "thermal_resistance", "K/W", thermal_resistance(rise, watts), instruments=names
        )


@dataclass
class _Course:
    """Time, heatsink temperature and current of each rail while watching."""

    times: list[float] = field(default_factory=list)
    celsius: list[float] = field(default_factory=list)
    amperes: dict[str, list[float]] = field(default_factory=dict)

    def total(self) -> list[float]:
        return [float(sum(row)) for row in zip(*self.amperes.values(), strict=True)]


class RunawayMargin(Step):
    """Watch heatsink and idle current together: does the current creep up with the heat, and how
    near is that to running away?

    The unit is warmed by a stated power first (with ``power``), then idles and is watched while
    it cools, or warms up by itself. The loop gain is V · dI/dT · Rth; above 1 it runs away.
    """

    kind: ClassVar[str] = "runaway"
    unit: ClassVar[str] = ""
    quantity: ClassVar[str] = "thermal_loop_gain"
    id_fields: ClassVar[tuple[str, ...]] = ("resistance",)
    explains: ClassVar = {
        "thermal_loop_gain": Explained(
            "",
            "How much of each kelvin of warming comes back as further warming by the idle "
            "current: V · dI/dT · Rth. Above 1 the stage runs away.",
            "Idle current and heatsink temperature are watched while the sink warms or cools; the "
            "slope of one over the other, times rail-to-rail voltage and thermal resistance.",
            "Devices that are hotter than the sink run ahead of it; drive left on; a sensor that "
            "has come off shows a wild slope. A curve that bends upwards is 'at least 1'.",
        ),
        "idle_current_slope": Explained(
            "A/K",
            "How much the unit's idle current changes for each kelvin of the heatsink.",
            "As thermal_loop_gain. Shown, not judged.",
            "Near nothing or slightly falling is what a bias that follows the heat gives.",
        ),
    }

    at: str = "sensor.sink"
    resistance: str | None = Field(
        None, description="id of a thermal_resistance step; without it only a runaway is found"
    )
    power: WattsExpression | None = Field(None, description="to warm up with before watching")
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    warm: Seconds = Field(default=300.0, gt=0.0, description="how long to warm up")
    watch: Seconds = Field(default=600.0, ge=60.0)
    every: Seconds = Field(default=5.0, ge=0.5)
    span: Kelvins = Field(default=2.0, gt=0.0, description="least change that says anything")
    least: Amperes = Field(default=0.005, ge=0.0, description="growth that is no creep")

    def needs(self, view: BenchView) -> Needs:
        if self.power is None:
            return idle_and_watched(view, self.at, self.watch)
        watts = self.power.evaluate_in("W", view.unit.names())
        return driven_and_watched(view, self.at, watts, self.watch + self.warm)

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        resistance = ctx.measured(self.resistance)[-1][1] if self.resistance else None
        watch_sink(ctx)
        if self.power is not None:
            drive = Drive(ctx, self.frequency)
            try:
                drive.to_power(ctx.evaluate(self.power, "W"))
                let_pass(ctx, self.warm, every_s=self.every, doing="warming up")
            finally:
                drive.stop()
        course = self._watch(ctx)
        yield from self._readings(ctx, course, resistance)

    def _watch(self, ctx: Context) -> _Course:
        course = _Course(amperes={rail: [] for rail in ctx.view.rails})
        begun = ctx.clock.now()

        def over() -> bool | None:
            celsius = sink_now(ctx)
            now = ctx.clock.now() - begun
            course.times.append(now)
            course.celsius.append(celsius)
            for rail, output in ctx.view.rails.items():
                course.amperes[rail].append(ctx.supply.current_raw(output))
            ctx.progress(
                f"sink {celsius:.1f} °C, {course.amperes[rail][-1]:.3f} A",
                min(now / self.watch, 1.0),
            )
            return True if now >= self.watch else None

        try:
            ctx.wait_until(
                over, every_s=self.every, at_most_s=self.watch + 60.0, what="the watching"
            )
        finally:
            ctx.trace(
                f"idle-{self.id}",
                {
                    "time_s": course.times,
                    "sink_c": course.celsius,
                    **{f"{r.replace('.', '_')}_a": a for r, a in course.amperes.items()},
                },
            )
        return course

    def _readings(
        self, ctx: Context, course: _Course, resistance: UFloat | None
    ) -> Iterator[Reading | Measured]:
        names = (ctx.meter.name, ctx.supply.name)
        times, celsius = np.array(course.times), np.array(course.celsius)
        mean = np.array(course.total()) / len(course.amperes)
        if runaway(times, mean, least_growth=self.least).running_away:
            yield Measured(
                "thermal_loop_gain",
                "",
                exactly(1.0),
                bound=Bound.AT_LEAST,
                instruments=names,
                note="the idle current grows ever faster",
            )
            return
        span = float(celsius.max() - celsius.min())
        if span < self.span:
            raise NotMeasured(
                f"the heatsink changed by {span:.2g} K while it was watched",
                expected=f"at least {self.span:g} K",
                where=self.id,
                hint="warm it up with power first, or watch longer",
            )
        per_kelvin = slope(celsius, mean, "scatter of current over temperature")
        yield Measured("idle_current_slope", "A/K", per_kelvin, instruments=names, judged=False)
        if resistance is None:
            raise NotMeasured(
                "no thermal resistance to work the loop gain out with",
                expected="resistance = the id of a thermal_resistance step",
                where=self.id,
            )
        volts = ctx.view.unit.rail_voltage * len(ctx.view.rails)
        yield Measured(
            "thermal_loop_gain",
            "",
            loop_gain(exactly(volts), per_kelvin, resistance),
            instruments=names,
            note=f"over {span:.1f} K",
        )
