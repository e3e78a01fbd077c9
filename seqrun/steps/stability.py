"""Heat and current together: thermal resistance, and how near the bias is to running away."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.files.expression import WattsExpression
from seqrun.measure.heat import (
    BIAS_S,
    HELD_PER_K,
    bias_behind,
    loop_gain,
    runaway,
    slope,
    thermal_resistance,
)
from seqrun.measure.temperature import pt100_tolerance_k
from seqrun.plan.context import Context, Indication
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs, Unforecast
from seqrun.plan.view import BenchView
from seqrun.quantity import Amperes, Hertz, Kelvins, Seconds
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.forecasts import near_limit
from seqrun.steps.common.sink import (
    driven_and_watched,
    idle_and_watched,
    let_pass,
    sink_now,
    watch_sink,
)
from seqrun.steps.heat import USUAL_TAU_S, usual_k_per_w
from seqrun.steps.temperature import ROOM_C, meter_k
from seqrun.values import COVERAGE_FACTOR, Bound, exactly, rectangular

THERMAL_RESISTANCE = Measurand(
    "thermal_resistance",
    "K/W",
    what="How many kelvin the heatsink rises over the air for each watt of heat.",
    how="The settled rise of a soak over the dissipation at the same power.",
    fooled_by=(
        "Heat that leaves by another way (the transformer's, the cabinet's), a sensor that "
        "has come off, a draught; a value that has grown means a fin that is blocked or a "
        "joint that is dry."
    ),
    contact="As sink_rise.",
)


class ThermalResistance(Step):
    """Thermal resistance from heatsink to air: an earlier settled rise over the heat that made it.

    ``of`` names the soak, ``heat`` a dissipation step at the same power.
    """

    kind: ClassVar[str] = "thermal_resistance"
    yields: ClassVar = (judged(THERMAL_RESISTANCE),)
    id_fields: ClassVar[tuple[str, ...]] = ("of", "heat")

    of: str = Field(description="id of a soak step")
    heat: str = Field(description="id of a dissipation step at the same power")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        ratio = near_limit(self, view, usual_k_per_w(view.unit))
        u = ratio * resistance_share(view)
        return Forecast(ratio, COVERAGE_FACTOR * u, better="class A sensors")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        reading, rise = ctx.measured(self.of)[-1]
        if reading.bound is not Bound.EXACT:
            raise NotMeasured(
                f"the rise of '{self.of}' is only known as {reading.bound.value}",
                expected="a rise that has settled",
                where=self.id,
            )
        other, watts = ctx.measured(self.heat)[-1]
        names = sorted({*reading.instruments, *other.instruments})
        yield self.reading(THERMAL_RESISTANCE, thermal_resistance(rise, watts), instruments=names)


def resistance_share(view: BenchView) -> float:
    """Relative standard uncertainty of a thermal resistance: two sensors over a rise of half its
    limit, and the supply's read-back of the heat."""
    rise = 0.5 * view.unit.sink_rise_limit
    halves = [
        pt100_tolerance_k(celsius, view.sensor(point).tolerance_class)
        for point, celsius in (("sensor.sink", ROOM_C + rise), ("sensor.ambient", ROOM_C))
    ]
    u_rise = math.hypot(meter_k(view), *(half / math.sqrt(3.0) for half in halves))
    amperes = view.unit.supply_current_at(view.unit.rated_power / 8.0)
    u_amperes = view.standard_uncertainty("supply", "readback_current", amperes)
    return math.hypot(u_rise / rise, u_amperes / amperes)


@dataclass
class _Course:
    """Time, heatsink temperature and current of each rail while watching."""

    times: list[float] = field(default_factory=list)
    celsius: list[float] = field(default_factory=list)
    amperes: dict[str, list[float]] = field(default_factory=dict)

    def total(self) -> list[float]:
        return [float(sum(row)) for row in zip(*self.amperes.values(), strict=True)]


THERMAL_LOOP_GAIN = Measurand(
    "thermal_loop_gain",
    "",
    what=(
        "How much of each kelvin of warming comes back as further warming by the idle "
        "current: V · dI/dT · Rth. Above 1 the stage runs away."
    ),
    how=(
        "Idle current and heatsink temperature are watched while the sink warms or cools; the "
        "slope of one over the other, times rail-to-rail voltage and thermal resistance. The "
        "first two minutes are left out: the devices' own heat has to leave first."
    ),
    fooled_by=(
        "Devices that are hotter than the sink run ahead of it; drive left on; a sensor that "
        "has come off shows a wild slope. A curve that bends upwards is 'at least 1'."
    ),
    contact="The currents and temperatures that it is made from are not near zero.",
)
IDLE_CURRENT_SLOPE = Measurand(
    "idle_current_slope",
    "A/K",
    what="How much the unit's idle current changes for each kelvin of the heatsink.",
    how="As thermal_loop_gain. Shown, not judged.",
    fooled_by="With a bias that follows the heat it is near zero or slightly negative.",
)


class RunawayMargin(Step):
    """Watch heatsink and idle current together: does the current creep up with the heat, and how
    near is that to running away?

    The unit is warmed by a stated power first (with ``power``), then idles and is watched while
    it cools, or warms up by itself. The loop gain is V · dI/dT · Rth; above 1 it runs away.
    """

    kind: ClassVar[str] = "runaway"
    yields: ClassVar = (judged(THERMAL_LOOP_GAIN), shown(IDLE_CURRENT_SLOPE))
    id_fields: ClassVar[tuple[str, ...]] = ("resistance",)

    at: str = "sensor.sink"
    resistance: str | None = Field(
        None, description="id of a thermal_resistance step; without it only a runaway is found"
    )
    power: WattsExpression | None = Field(None, description="to warm up with before watching")
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    warm: Seconds = Field(default=300.0, gt=0.0, description="how long to warm up")
    watch: Seconds = Field(default=600.0, ge=60.0)
    every: Seconds = Field(default=5.0, ge=0.5)
    span: Kelvins = Field(
        default=2.0,
        gt=0.0,
        description="least change of the heatsink that a slope is read from",
    )
    rest: Seconds = Field(
        default=120.0,
        ge=0.0,
        description="how much of the beginning is left out of the slope: after a drive junctions "
        "and cases are hotter than the heatsink, and the current follows them",
    )
    least: Amperes = Field(
        default=0.005, ge=0.0, description="growth of the current that is not yet a runaway"
    )

    def needs(self, view: BenchView) -> Needs:
        if self.power is None:
            return idle_and_watched(view, self.at, self.watch)
        watts = self.power.evaluate_in("W", view.unit.names())
        return driven_and_watched(view, self.at, watts, self.watch + self.warm)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast | Unforecast:
        """The thermal resistance, and the scatter of current over the least span."""
        if self.resistance is None:
            return Unforecast("without a thermal resistance only a runaway is found")
        gain = near_limit(self, view, 0.3)
        supply = view.drivers[view.key("supply")]
        row = supply.row("readback_current", view.unit.expected_supply_current)
        scatter = row.noise / math.sqrt(self.watch / self.every) / (self.span / math.sqrt(12.0))
        volts = view.unit.rail_voltage * len(view.rails)
        idle = view.unit.expected_supply_current
        behind = idle * HELD_PER_K * BIAS_S / (view.unit.sink_time_constant or USUAL_TAU_S)
        per_kelvin = math.hypot(scatter, behind / math.sqrt(3.0))
        u = math.hypot(gain * resistance_share(view), volts * per_kelvin * usual_k_per_w(view.unit))
        return Forecast(gain, COVERAGE_FACTOR * u, better="a longer watch over a wider span")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
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
                Indication("sink", celsius, "°C"),
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
    ) -> Iterator[Yielded]:
        names = (ctx.meter.name, ctx.supply.name)
        times, celsius = np.array(course.times), np.array(course.celsius)
        mean = np.array(course.total()) / len(course.amperes)
        rested = times >= min(self.rest, 0.25 * self.watch)
        if runaway(times, mean, least_growth=self.least).running_away:
            yield self.reading(
                THERMAL_LOOP_GAIN,
                exactly(1.0),
                bound=Bound.AT_LEAST,
                instruments=names,
                note="the idle current grows ever faster",
            )
            return
        celsius, mean = celsius[rested], mean[rested]
        span = float(np.ptp(celsius))
        if span < self.span:
            raise NotMeasured(
                f"the heatsink changed by {span:.2g} K while it was watched",
                expected=f"at least {self.span:g} K",
                where=self.id,
                hint="warm it up with power first, or watch longer",
            )
        per_kelvin = slope(celsius, mean, "scatter of current over temperature")
        behind = bias_behind(times[rested], celsius, float(mean.mean()))
        per_kelvin += rectangular(0.0, behind, "a bias that follows the heatsink late")
        yield self.reading(
            IDLE_CURRENT_SLOPE,
            per_kelvin,
            instruments=names,
        )
        if resistance is None:
            raise NotMeasured(
                "no thermal resistance to work the loop gain out with",
                expected="resistance = the id of a thermal_resistance step",
                where=self.id,
            )
        volts = ctx.view.unit.rail_voltage * len(ctx.view.rails)
        yield self.reading(
            THERMAL_LOOP_GAIN,
            loop_gain(exactly(volts), per_kelvin, resistance),
            instruments=names,
            note=f"over {span:.1f} K",
        )
