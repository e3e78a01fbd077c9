"""Steps that a meter alone can do: ohms of a unit without power, AC volts at a point."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.measure.bounds import Bounded
from seqrun.measure.pick_up import beside_pick_up
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import Ohms, Volts
from seqrun.steps.common.contact import BY_TONE, channels_proved, prove_contact
from seqrun.steps.common.dirt import by_two_wires
from seqrun.steps.common.forecasts import near_limit
from seqrun.values import COVERAGE_FACTOR

DEAD_RESISTANCE = Measurand(
    "dead_resistance",
    "Ω",
    title="Resistance without power",
    what="The resistance between two points of a unit that is off and discharged.",
    how="The meter by two wires, red on the first point, once the reading has stopped rising.",
    fooled_by=(
        "A reservoir that still charges, or is charged; junctions that conduct one way only; the "
        "leads themselves, which are in it."
    ),
    contact="None is needed: an open lead reads an overload, not a small resistance.",
)


class DeadResistance(Step):
    """Resistance at a point of a unit without power, by two wires: a short, or an open part."""

    kind: ClassVar[str] = "dead_resistance"
    yields: ClassVar = (judged(DEAD_RESISTANCE),)

    at: str
    expect: Ohms | None = Field(None, gt=0.0, description="chooses the range; none: by itself")
    repeats: int = Field(default=3, ge=2, le=100)

    def needs(self, view: BenchView) -> Needs:
        return Needs(
            roles=frozenset({"meter"}),
            hookups=(view.meter_across(self.at),),
            meter={"resistance_2w": self.expect},
            seconds=15.0,
            dead=True,
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        ohms = self.expect or near_limit(self, view, 1000.0)
        u = view.standard_uncertainty("meter", "resistance_2w", ohms)
        settings = view.drivers[view.key("meter")].meter
        leads = settings.lead_resistance if settings is not None else 0.0
        return Forecast(ohms, COVERAGE_FACTOR * math.hypot(u, leads / math.sqrt(3.0)))

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        meter = ctx.meter
        meter.configure("resistance_2w", self.expect)
        yield self.reading(
            DEAD_RESISTANCE,
            by_two_wires(ctx, meter.read(self.repeats)),
            channel=self.at.removeprefix("ballast."),
            instruments=(meter.name,),
        )


AC_LEVEL = Measurand(
    "ac_level",
    "V",
    title="AC level",
    what="The AC voltage at a point with no signal: hum and noise together.",
    how="The meter's AC volts across the point.",
    fooled_by=(
        "A handheld meter ends at some hundred hertz to a few kilohertz, and many do not read the "
        "rms of what is no sine: it finds hum, not hiss. An open lead picks up the mains."
    ),
    contact=BY_TONE,
)


class AcLevel(Step):
    """AC volts at a point by the meter, with no signal."""

    kind: ClassVar[str] = "ac_level"
    yields: ClassVar = (judged(AC_LEVEL),)

    at: str
    expect: Volts | None = Field(None, gt=0.0, description="chooses the range; none: by itself")
    repeats: int = Field(default=3, ge=2, le=100)

    def needs(self, view: BenchView) -> Needs:
        return Needs(
            roles=frozenset({"meter"}),
            hookups=(view.meter_across(self.at),),
            meter={"ac_voltage": self.expect},
            seconds=10.0,
            live=True,
            proved_on=channels_proved(view, self.at),
            proved_by="meter",
        )

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        volts = self.expect or near_limit(self, view, 0.01)
        u = view.standard_uncertainty("meter", "ac_voltage", volts)
        return Forecast(volts, COVERAGE_FACTOR * u, better="a scope, or a meter of a lower range")

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        meter = ctx.meter

        def rms_v() -> float:
            meter.configure("ac_voltage", None, 1.0)
            return meter.read_raw()

        prove_contact(ctx, self.at, ctx.view.meter_across(self.at), rms_v)
        meter.configure("ac_voltage", self.expect)
        volts = meter.read(self.repeats)
        # A meter does not tell how much of it is the mains: at the most, all.
        root = float(volts.nominal_value)
        found = beside_pick_up(Bounded(volts), root, ctx.view.bench.dirt.pick_up)
        yield self.reading(
            AC_LEVEL,
            found.value,
            bound=found.bound,
            channel=self.channel or self.at,
            instruments=(meter.name,),
        )
