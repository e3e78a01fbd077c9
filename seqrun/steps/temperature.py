"""Temperatures as they are: of the heatsink, the air, and any other place with a sensor."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.measure.temperature import pt100_tolerance_k
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.forecasts import near_limit
from seqrun.steps.common.sink import PT100_EXPECTED_OHM, read_temperature, thermometer_needs
from seqrun.values import COVERAGE_FACTOR

ROOM_C = 25.0  # of a workshop, for forecasts
OHM_PER_K = 0.385  # slope of a Pt100 (IEC 60751), for forecasts


SINK_TEMPERATURE = Measurand(
    "sink_temperature",
    "°C",
    what="The temperature of the heatsink at its sensor.",
    how=(
        "The meter reads the Pt100 by four wires; its resistance is turned into "
        "temperature (IEC 60751)."
    ),
    fooled_by=(
        "A sensor that has come off reads the air; one far from the devices reads low. "
        "The devices themselves are hotter."
    ),
    contact="As sink_rise.",
)
AMBIENT_TEMPERATURE = Measurand(
    "ambient_temperature",
    "°C",
    what="The temperature of the air beside the unit.",
    how="As sink_temperature, by the sensor in the air.",
    fooled_by="A sensor in the unit's own warm air: put it below and beside.",
)
SENSOR_TEMPERATURE = Measurand(
    "sensor_temperature",
    "°C",
    what="The temperature at a sensor that is neither on the heatsink nor in the air.",
    how="As sink_temperature, by the sensor that the channel names.",
    fooled_by="A sensor that has come off what it should touch.",
)
OF_SENSOR = {"sensor.sink": SINK_TEMPERATURE, "sensor.ambient": AMBIENT_TEMPERATURE}


class Temperature(Step):
    """Temperature at a sensor."""

    kind: ClassVar[str] = "temperature"
    yields: ClassVar = (
        judged(SINK_TEMPERATURE),
        judged(AMBIENT_TEMPERATURE),
        judged(SENSOR_TEMPERATURE),
    )

    at: str
    repeats: int = Field(default=3, ge=2, le=100)

    @property
    def judges(self) -> tuple[Measurand, ...]:
        return (OF_SENSOR.get(self.at, SENSOR_TEMPERATURE),)

    def needs(self, view: BenchView) -> Needs:
        by_thermometer = thermometer_needs(view, self.at, 20.0)
        if by_thermometer is not None:
            return by_thermometer
        view.sensor(self.at)
        return Needs(
            roles=frozenset({"meter"}),
            hookups=(view.meter_four_wire(self.at),),
            meter={"resistance_4w": PT100_EXPECTED_OHM},
            seconds=1.2,
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        """The sensor's tolerance and the meter's, at a warm sink or in a room."""
        celsius = near_limit(self, view, ROOM_C)
        if view.has("thermometer"):
            u = view.standard_uncertainty("thermometer", "temperature", celsius)
            return Forecast(celsius, COVERAGE_FACTOR * u, better="a better thermometer")
        half = pt100_tolerance_k(celsius, view.sensor(self.at).tolerance_class)
        u = math.hypot(half / math.sqrt(3.0), meter_k(view))
        return Forecast(celsius, COVERAGE_FACTOR * u, better="a class A sensor")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        if ctx.view.has("thermometer"):
            names = (ctx.thermometer.name,)
            celsius = ctx.thermometer.read(self.at, ctx.view.point(self.at).words)
        else:
            names = (ctx.meter.name,)
            ctx.meter.configure("resistance_4w", PT100_EXPECTED_OHM, 10.0)
            celsius = read_temperature(ctx, self.at, self.repeats)
        sensor = self.at.removeprefix("sensor.")
        ctx.fact("conditions", f"{sensor}_c", celsius.nominal_value)
        place = "" if self.at in OF_SENSOR else sensor
        yield self.reading(self.judges[0], celsius, channel=place, instruments=names)


def meter_k(view: BenchView) -> float:
    """Standard uncertainty of a warm Pt100's temperature by the meter alone, K."""
    return view.standard_uncertainty("meter", "resistance_4w", 115.0) / OHM_PER_K
