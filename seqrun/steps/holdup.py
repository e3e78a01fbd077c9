"""How long the rails last once the power is gone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import ClassVar

from pydantic import Field

from seqrun.files.expression import WattsExpression
from seqrun.measure.timing import watched_event
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Fraction, Hertz, Seconds
from seqrun.steps.common.drive import Drive, drive_needs
from seqrun.steps.common.forecasts import SWITCHING_S, watched
from seqrun.values import rectangular

LOOK_S = 0.01  # what one reading takes, about


HOLD_UP = Measurand(
    "hold_up",
    "s",
    what=(
        "The time for which a rail stays above a stated share of its voltage after the power "
        "is gone."
    ),
    how=(
        "The meter reads the rail again and again; the supply's outputs are switched off. "
        "The time is known to within one interval between readings."
    ),
    fooled_by=(
        "A bench supply with a large output capacitor helps the reservoirs. A value that has "
        "fallen points to reservoirs that have dried out. The unit is off after this step."
    ),
)


class HoldUp(Step):
    """Hold-up: how long a rail stays above a share of its voltage once the supply is off.

    The meter is on the rail; the supply is switched off and stays off. What the reservoirs hold is
    shared by all that is connected, so the power drawn belongs to the figure.
    """

    kind: ClassVar[str] = "hold_up"
    yields: ClassVar = (judged(HOLD_UP),)

    at: str = Field(description="the rail, as rail.pos")
    until: Fraction = Field(default=0.8, gt=0.05, lt=1.0, description="share of its voltage")
    power: WattsExpression | None = Field(None, description="into each load; none: at idle")
    frequency: Hertz = Field(default=1000.0, gt=0.0)
    at_most: Seconds = Field(default=60.0, gt=0.0)

    def needs(self, view: BenchView) -> Needs:
        roles = frozenset({"supply", "meter"})
        needs = Needs(roles=roles, seconds=0.5, acts=1, live=True)
        if self.power is not None:
            watts = self.power.evaluate_in("W", view.unit.names())
            needs = drive_needs(view, view.unit.channels, watts, seconds=1.0)
        return replace(
            needs,
            roles=needs.roles | roles,
            hookups=(*needs.hookups, view.meter_across(self.at)),
            switches_off=True,
            by_itself=frozenset({"meter", "supply"}),
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        return watched(LOOK_S, "a meter that reads more often", SWITCHING_S)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        meter = ctx.meter
        meter.configure("dc_voltage", ctx.view.unit.rail_voltage, 0.02)
        full = abs(meter.read_raw())
        drive = None
        try:
            if self.power is not None:
                drive = Drive(ctx, self.frequency)
                drive.to_power(ctx.evaluate(self.power, "W"))
                full = abs(meter.read_raw())
            before = ctx.clock.now()
            ctx.supply.enable(False)
            after = ctx.clock.now()
            ctx.powered_off()
            last_up = after
            times: list[float] = []
            volts: list[float] = []

            def fallen() -> float | None:
                nonlocal last_up
                begun = ctx.clock.now()
                volts.append(abs(meter.read_raw()))
                ended = ctx.clock.now()
                times.append(0.5 * (begun + ended) - after)
                if volts[-1] < self.until * full:
                    return ended
                last_up = begun
                return None

            down = ctx.wait_until(
                fallen, every_s=0.0, at_most_s=self.at_most, what=f"{self.at} to fall"
            )
        finally:
            if drive is not None:
                drive.stop()
        ctx.trace(f"hold-up-{self.id}", {"time_s": times, "volts_v": volts})
        off = rectangular(0.5 * (before + after), 0.5 * (after - before), "moment of switching")
        load = "at idle" if self.power is None else f"at {ctx.evaluate(self.power, 'W'):.3g} W"
        yield self.reading(
            HOLD_UP,
            watched_event(last_up, down) - off,
            channel=self.at,
            instruments=(meter.name,),
            note=f"{full:.3g} V to {100.0 * self.until:g} % of it, {load}",
        )
