"""The unit on its own mains supply: the bench supply's leads off its rails, the plug in, and out.

No trip can switch such a unit off, and its current is limited by nothing but its fuses: it comes
last, after everything that the bench supply can show.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured, UsageError
from seqrun.measure.uncertain import magnitude
from seqrun.plan.context import MAINS, PLUG_OUT, Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Seconds
from seqrun.values import COVERAGE_FACTOR

STANDBY = "standby"
PLUG_IN = (
    "the unit's own mains plug in, through an isolating transformer, a residual-current device and "
    "a fuse of the unit's rating: from here its primary side is live"
)
START_UP_S = 20.0  # our own choice, for a sheet that does not tell
UP = 0.8  # of the rated rail: the supply has started


OWN_RAIL_VOLTAGE = Measurand(
    "own_rail_voltage",
    "V",
    what="What the unit's own mains supply puts on a rail, without its sign.",
    how="The bench supply's leads off the rails, the mains plug in; the meter on each rail.",
    fooled_by=(
        "A mains voltage that is not the rated one moves an unregulated rail with it; a unit "
        "in standby has no rails. A lead of the bench supply left on feeds them as well."
    ),
)


class OwnSupply(Step):
    """The unit powered from its own mains supply; its rails, once they are up."""

    kind: ClassVar[str] = "own_supply"
    yields: ClassVar = (judged(OWN_RAIL_VOLTAGE, "rail"),)

    within: Seconds | None = Field(
        default=None,
        gt=0.0,
        description="time to start up; without it the unit sheet's start_up, or 20 s",
    )
    repeats: int = Field(default=5, ge=2, le=1000)

    def needs(self, view: BenchView) -> Needs:
        if view.unit.standby_voltage is None and view.unit.own_supply == "none":
            raise UsageError(
                f"{view.unit.model} has no mains supply of its own",
                expected="a unit whose sheet says own_supply, or names its standby_voltage",
                where=self.id,
                hint='if_unit_has = "a supply of its own" leaves the step out for others',
            )
        return Needs(
            roles=frozenset({"supply", "meter"}),
            seconds=4.0,
            acts=4 + 2 * len(view.rails),
            dead=True,
            mains=True,
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        volts = view.unit.rail_voltage
        u = view.standard_uncertainty("meter", "dc_voltage", volts)
        return Forecast(volts, COVERAGE_FACTOR * u, better="a better meter")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        view, meter = ctx.view, ctx.meter
        for rail, output in view.rails.items():
            for end in ("pos", "neg"):
                terminal = f"{view.outlets('supply')[output - 1]}.{end}"
                ctx.disconnect(terminal, f"the bench supply's lead, {rail}: insulate its end")
        first = next(iter(view.rails))
        ctx.connect(view.meter_across(first))
        meter.configure("dc_voltage", 1.2 * view.unit.rail_voltage, 1.0)
        ctx.turn(MAINS, "on", PLUG_IN)
        try:
            ctx.turn(STANDBY, "off", "switched on at its front")
            ctx.wait_until(
                lambda: abs(meter.read_raw()) >= UP * view.unit.rail_voltage or None,
                every_s=0.5,
                at_most_s=self.within or view.unit.start_up or START_UP_S,
                what=f"{first} to come up from the unit's own supply",
            )
        except NotMeasured:
            ctx.turn(MAINS, "off", PLUG_OUT)
            raise
        for rail in view.rails:
            ctx.connect(view.meter_across(rail))
            meter.configure("dc_voltage", 1.2 * view.unit.rail_voltage, 10.0)
            value = magnitude(meter.read(self.repeats))
            yield self.reading(OWN_RAIL_VOLTAGE, value, channel=rail, instruments=(meter.name,))


class OwnSupplyOff(Step):
    """The unit's own mains plug out; that it has discharged is for ``power_down`` to confirm."""

    kind: ClassVar[str] = "own_supply_off"
    yields: ClassVar = ()

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0, acts=1, switches_off=True)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        ctx.turn(MAINS, "off", PLUG_OUT)
        yield from ()
