"""The heatsink's sensor: read with its budget, and watched while something goes on."""

from __future__ import annotations

from dataclasses import replace

from uncertainties import UFloat

from seqrun.measure.temperature import pt100_reading, pt100_temperature_c, sensor_error
from seqrun.plan.context import Context, Indication
from seqrun.plan.needs import Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.dirt import keep_temperature, touching
from seqrun.steps.common.drive import drive_needs

#: what watches a unit for minutes, and has to act when it runs away
WATCHED_BY = frozenset({"meter", "supply"})
PT100_EXPECTED_OHM = 150.0  # chooses a range that holds 0 °C to 130 °C


def read_temperature(ctx: Context, point: str, repeats: int) -> UFloat:
    """Temperature of a Pt100 on the meter's four leads, °C, with meter and sensor budget."""
    sensor = ctx.view.sensor(point)
    error = ctx.persistent(point, lambda: sensor_error(f"sensor {sensor.name}"))
    celsius = pt100_reading(ctx.meter.read(repeats), sensor.tolerance_class, error)
    keep_temperature(ctx, point, float(celsius.nominal_value))
    return touching(ctx, point, celsius)


def thermometer_needs(view: BenchView, point: str, seconds: float) -> Needs | None:
    """What reading one temperature needs where a thermometer is at hand; None where a sensor on
    the meter reads it."""
    if not view.has("thermometer"):
        return None
    view.point(point)
    return Needs(roles=frozenset({"thermometer"}), seconds=seconds)


def watch_sink(ctx: Context) -> None:
    """Set the meter to quick looks at the sensor, for :func:`sink_now`."""
    ctx.meter.configure("resistance_4w", PT100_EXPECTED_OHM, 1.0)


def sink_now(ctx: Context) -> float:
    """One look at the sensor, °C, without budget; the trips are told of it."""
    celsius = pt100_temperature_c(ctx.meter.read_raw())
    ctx.observe("sink_temperature", celsius)
    keep_temperature(ctx, "sensor.sink", celsius)
    return celsius


def let_pass(
    ctx: Context,
    seconds: float,
    *,
    every_s: float,
    doing: str = "",
    timed: bool = False,
) -> None:
    """Let bench time pass with an eye on the heatsink, so that a trip on its temperature can act.

    Args:
        doing: what progress calls it.
        timed: this is what the step is about, and progress shows how much of it is over.
    """
    begun = ctx.clock.now()
    said = f"{doing}: sink" if doing else "sink"

    def over() -> bool | None:
        celsius = sink_now(ctx)
        passed = ctx.clock.now() - begun
        share = min(passed / seconds, 1.0) if timed else None
        ctx.progress(f"{said} {celsius:.1f} °C", share, Indication("sink", celsius, "°C"))
        return True if passed >= seconds else None

    ctx.wait_until(over, every_s=every_s, at_most_s=seconds + 60.0, what="the time to pass")


def driven_and_watched(view: BenchView, sensor: str, watts: float, seconds: float) -> Needs:
    """What a step needs that drives ``watts`` into every load and watches a sensor meanwhile."""
    driven = drive_needs(view, view.unit.channels, watts, seconds=seconds)
    return replace(
        driven,
        roles=driven.roles | {"meter"},
        hookups=(*driven.hookups, view.meter_four_wire(sensor)),
        meter={"resistance_4w": PT100_EXPECTED_OHM},
        by_itself=WATCHED_BY,
    )


def idle_and_watched(
    view: BenchView, sensor: str, seconds: float, *, listening: bool = False
) -> Needs:
    """What a step needs that leaves the unit at idle and watches a sensor and the supply, and the
    outputs as well when it listens."""
    outputs = [view.scope_on(f"out.{c}")[2] for c in view.unit.channels] if listening else []
    return Needs(
        roles=frozenset({"meter", "supply", *(["scope"] if listening else [])}),
        hookups=(*outputs, view.meter_four_wire(sensor)),
        meter={"resistance_4w": PT100_EXPECTED_OHM},
        seconds=seconds,
        live=True,
        by_itself=WATCHED_BY,
        proved_on=tuple(view.unit.channels) if listening else (),
    )


def end_of(step_id: str) -> str:
    """Under which a soak keeps where its rise will end and where it has come to, K."""
    return f"end of {step_id}"
