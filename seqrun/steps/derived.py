"""Steps worked out from earlier readings alone: conditions that a test asks for, voltage drops."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from seqrun.errors import NotMeasured
from seqrun.files.expression import Expression, VoltsExpression
from seqrun.measure.uncertain import magnitude
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged, shown
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import render
from seqrun.steps.common.forecasts import (
    BETTER_SCOPE,
    DB_PER_SHARE,
    decibels,
    gain_share,
    moved_share,
)
from seqrun.steps.common.from_cold import must_be_cold
from seqrun.values import COVERAGE_FACTOR, normal

CONDITION_MET = Measurand(
    "condition_met",
    "",
    what="1 when a condition that the test asks for was met.",
    how="An earlier reading is held against the stated bounds, its uncertainty left out.",
    fooled_by=(
        "Where it is not met, the results hold for the conditions as they were, and not for the "
        "rule that asks for others."
    ),
)


class ConditionMet(Step):
    """A condition of the test that an earlier reading must show, such as the room's temperature.

    When it is not met the unit is neither good nor bad: it was not tested under that condition,
    and the step counts as not measured.
    """

    kind: ClassVar[str] = "condition"
    yields: ClassVar = (shown(CONDITION_MET),)

    of: str
    at_least: Expression | None = None
    at_most: Expression | None = None
    asked_by: str = Field("", description="who asks for it, as a rule's number")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
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
            yield self.plain(CONDITION_MET, 1.0, channel=reading.channel)


VOLTAGE_DROP = Measurand(
    "voltage_drop",
    "V",
    what="How far a voltage lies below the one that it should have; negative: above.",
    how="An earlier reading by the meter, its sign left out, against the stated voltage.",
    fooled_by="A supply that was not set to that voltage; ripple on the rail.",
    contact=(
        "The voltage that it is made from is not near zero: an open lead makes the drop large."
    ),
)


class Drop(Step):
    """How far the magnitude of an earlier voltage lies below a stated one.

    Rails of either sign are held against one rating with it.
    """

    kind: ClassVar[str] = "drop"
    yields: ClassVar = (judged(VOLTAGE_DROP, "several", each="reading"),)

    of: str
    below: VoltsExpression

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        u = view.standard_uncertainty("meter", "dc_voltage", view.unit.rail_voltage)
        return Forecast(0.0, COVERAGE_FACTOR * u)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        wanted = ctx.evaluate(self.below, "V")
        for reading, value in ctx.measured(self.of):
            yield self.reading(
                VOLTAGE_DROP,
                wanted - magnitude(value),
                channel=reading.channel,
                instruments=reading.instruments,
                note=f"below {wanted:.4g} V",
            )


GAIN_DRIFT = Measurand(
    "gain_drift",
    "dB",
    title="drift of the gain",
    what="How much a channel's gain has changed between two readings, as from cold to hot.",
    how="One gain less an earlier one of the same channel; what both have in common cancels.",
    fooled_by=(
        "A joint, a relay's contact or a resistor that gives way to warmth; a clip that was moved "
        "between the two; a level of the generator that has drifted."
    ),
    contact="The driven tones themselves: without one there is no gain to compare.",
)


class GainDrift(Step):
    """Change of the gain between two earlier readings: hot against cold.

    A contact that has grown by half an ohm is within any limit of the gain itself.
    """

    kind: ClassVar[str] = "gain_drift"
    yields: ClassVar = (judged(GAIN_DRIFT, "several", each="channel"),)
    from_cold: ClassVar[bool] = True

    of: str = Field(description="id of a gain step")
    against: str = Field(description="id of an earlier one")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # Gains of scope and generator are the same in both; their noise over a record is not felt.
        return decibels(moved_share(view, view.unit.rated_power), 0.0, BETTER_SCOPE)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        if self.from_cold:
            must_be_cold(ctx, self.id)
        moved = DB_PER_SHARE * moved_share(ctx.view, ctx.view.unit.rated_power)
        before = {reading.channel: value for reading, value in ctx.measured(self.against)}
        for reading, value in ctx.measured(self.of):
            if reading.channel not in before:
                raise NotMeasured(
                    f"'{self.against}' has no reading of {reading.channel}",
                    expected="two readings of the gain of one channel",
                    where=self.id,
                )
            yield self.reading(
                self.judges[0],
                value
                - before[reading.channel]
                + normal(0.0, moved, "scope and generator since then"),
                channel=reading.channel,
                instruments=reading.instruments,
                note=f"{self.of} less {self.against}",
            )


GAIN_WITH_LEVEL = Measurand(
    "gain_with_level",
    "dB",
    title="change of the gain with the level",
    what="How much louder or quieter a channel amplifies what is loud than what is quiet.",
    how="The gain at a large power less that at a small one of the same channel.",
    fooled_by=(
        "Scope and generator stand on other ranges for what is loud, whose gains are not the same. "
        "A load that is read hotter than it is: the gain is one of volts."
    ),
    contact="The driven tones themselves: without one there is no gain to compare.",
)


class GainWithLevel(GainDrift):
    """Change of the gain between a loud tone and a quiet one.

    A limiter that acts where it should not squeezes what is loud, and distorts nothing.
    """

    kind: ClassVar[str] = "gain_with_level"
    yields: ClassVar = (judged(GAIN_WITH_LEVEL, "several", each="channel"),)
    from_cold: ClassVar[bool] = False

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        # Two ranges at either end.
        share = math.sqrt(2.0) * gain_share(view, view.unit.rated_power)
        return decibels(share, 0.0, BETTER_SCOPE)
