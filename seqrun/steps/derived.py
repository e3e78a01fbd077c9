"""Steps worked out from earlier readings alone: conditions that a test asks for, voltage drops."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import Expression, VoltsExpression
from seqrun.measure.uncertain import magnitude
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.steps.base import Context, Explained, Measured, Step
from seqrun.values import COVERAGE_FACTOR, Reading


class ConditionMet(Step):
    """A condition of the test that an earlier reading must show, such as the room's temperature.

    When it is not met the unit is neither good nor bad: it was not tested under that condition,
    and the step counts as not measured.
    """

    kind: ClassVar[str] = "condition"
    unit: ClassVar[str] = ""
    quantity: ClassVar[str] = "condition_met"
    explains: ClassVar = {
        "condition_met": Explained(
            "",
            "1 when a condition that the test asks for was there.",
            "An earlier reading is held against the stated bounds, its uncertainty left out.",
            "Where it is not met the results hold for the conditions that there were, and not for "
            "the rule that asks for others.",
        )
    }

    of: str
    at_least: Expression | None = None
    at_most: Expression | None = None
    asked_by: str = Field("", description="who asks for it, as a rule's number")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        by = f", asked for by {self.asked_by}" if self.asked_by else ""
        for reading, value in ctx.measured(self.of):
            there = float(value.nominal_value)
            least = ctx.evaluate(self.at_least, reading.unit) if self.at_least else -math.inf
            most = ctx.evaluate(self.at_most, reading.unit) if self.at_most else math.inf
            if not least <= there <= most:
                word, bound = ("at least", least) if there < least else ("at most", most)
                wanted = f"{word} {render(bound, reading.unit, digits=3)}{by}"
                raise NotMeasured(
                    f"{reading.quantity.replace('_', ' ')} is "
                    f"{render(there, reading.unit, digits=3)}, not {wanted}",
                    expected=wanted,
                    where=self.id,
                )
            yield Reading("condition_met", "", 1.0, channel=reading.channel)


class Drop(Step):
    """How far the magnitude of an earlier voltage lies below a stated one.

    Rails of either sign are held against one rating with it.
    """

    kind: ClassVar[str] = "drop"
    unit: ClassVar[str] = "V"
    makes: ClassVar = "several"
    quantity: ClassVar[str] = "voltage_drop"
    explains: ClassVar = {
        "voltage_drop": Explained(
            "V",
            "How far a voltage lies below the one that it should have; negative: above.",
            "An earlier reading by the meter, its sign left out, against the stated voltage.",
            "A supply that was not set to that voltage; ripple on the rail.",
        )
    }

    of: str
    below: VoltsExpression

    def needs(self, view: BenchView) -> Needs:
        volts = view.unit.rail_voltage
        u = view.standard_uncertainty("meter", "dc_voltage", volts)
        return Needs(seconds=0.0, forecast=Forecast(0.0, COVERAGE_FACTOR * u))

    def perform(self, ctx: Context) -> Iterator[Reading | Measured]:
        wanted = ctx.evaluate(self.below, "V")
        for reading, value in ctx.measured(self.of):
            yield Measured(
                "voltage_drop",
                "V",
                wanted - magnitude(value),
                channel=reading.channel,
                instruments=reading.instruments,
                note=f"below {wanted:.4g} V",
            )
