"""Output devices one by one: current per kelvin, and which one takes most of its bank's current."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.banks import busiest, current_per_kelvin, moved_since, on_the_way
from seqrun.measure.levels import share_u
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.measurand import Measurand, judged
from seqrun.plan.needs import Forecast, Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.forecasts import idle_drift_u
from seqrun.steps.common.pairing import pairs
from seqrun.steps.heat import USUAL_TAU_S
from seqrun.values import COVERAGE_FACTOR

DEVICE_CURRENT_SLOPE = Measurand(
    "device_current_slope",
    "A/K",
    what="How much a device's idle current grows for each kelvin of the heatsink.",
    how=(
        "Its current hot less its current cold, over the heatsink's temperature hot less cold; "
        "what both readings have in common cancels."
    ),
    fooled_by=(
        "Read soon after power is taken off, while devices are still hotter than the sink, it "
        "comes out too large. With a bias that follows the heat it is near zero; a device far "
        "steeper than its neighbours has lost its thermal contact."
    ),
    contact="The currents that it is made from are not near zero, and have limits of their own.",
)


class CurrentSlope(Step):
    """How much the current of a device grows for each kelvin of the heatsink, from readings of
    current and temperature in two states."""

    kind: ClassVar[str] = "current_slope"
    yields: ClassVar = (judged(DEVICE_CURRENT_SLOPE, "several", each="device"),)
    id_fields: ClassVar[tuple[str, ...]] = ("of", "against", "hot", "hot_after", "cold")

    of: str = Field(description="id of the current, hot")
    against: str = Field(description="id of the current, cold")
    hot: str = Field(description="id of the heatsink's temperature, hot")
    hot_after: str | None = Field(
        None, description="id of that temperature read again afterwards: it has fallen by then"
    )
    cold: str = Field(description="id of the heatsink's temperature, cold")

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        u = idle_drift_u(view) / (0.5 * view.unit.sink_rise_limit)  # over a rise of half the limit
        return Forecast(0.0, COVERAGE_FACTOR * u)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        hot_c, cold_c = self._hot(ctx), self._cold(ctx)
        for reading, hot, cold in pairs(ctx.measured(self.of), ctx.measured(self.against)):
            yield self.reading(
                DEVICE_CURRENT_SLOPE,
                current_per_kelvin(hot, cold, hot_c, cold_c),
                channel=reading.channel,
                instruments=reading.instruments,
                note=f"from {cold_c.nominal_value:.1f} °C to {hot_c.nominal_value:.1f} °C",
            )

    def _hot(self, ctx: Context) -> UFloat:
        """The heatsink's temperature when the hot current was read, between the readings of it."""
        before = ctx.measured(self.hot)[-1][1]
        if self.hot_after is None:
            towards = float(ctx.measured(self.cold)[-1][1].nominal_value)
            return self._since(ctx, self.hot, self.of, towards)
        after = ctx.measured(self.hot_after)[-1][1]
        begun, ended = ctx.done_at(self.hot), ctx.done_at(self.hot_after)
        share = (ctx.done_at(self.of) - begun) / (ended - begun)
        return on_the_way(before, after, share)

    def _cold(self, ctx: Context) -> UFloat:
        """The same for the cold current: a unit that was just powered warms while its devices are
        read one after another."""
        towards = float(ctx.measured(self.hot)[-1][1].nominal_value)
        return self._since(ctx, self.cold, self.against, towards)

    @staticmethod
    def _since(ctx: Context, celsius: str, current: str, towards: float) -> UFloat:
        seconds = ctx.done_at(current) - ctx.done_at(celsius)
        tau_s = ctx.view.unit.sink_time_constant or USUAL_TAU_S
        return moved_since(ctx.measured(celsius)[-1][1], towards, seconds, tau_s)


LARGEST_SHARE = Measurand(
    "largest_share",
    "%",
    what=(
        "The part of its bank's current that the busiest of the devices in parallel carries; "
        "the note names it. With n alike it is 100 % / n."
    ),
    how=(
        "From the currents read before; the meter's gain error cancels, the resistors' "
        "tolerances do not."
    ),
    fooled_by="A neighbour that is open makes a healthy device look greedy: see idle_current.",
    contact="The currents that it is made from are not near zero, and have limits of their own.",
)


class LargestShare(Step):
    """Which of the devices in parallel carries most, from earlier readings of their currents."""

    kind: ClassVar[str] = "largest_share"
    yields: ClassVar = (judged(LARGEST_SHARE),)

    of: str = Field(description='the beginning of the ids of the currents, as "hot.left.upper"')

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def forecast(self, view: BenchView, of: Measurand) -> Forecast:
        n = max(view.unit.output_devices, 2)
        spread = 100.0 * COVERAGE_FACTOR * share_u(view.unit.ballast_tolerance, n) / n
        better = "measured ballast resistors: a smaller ballast_tolerance"
        return Forecast(100.0 / n, spread, better=better)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        earlier = ctx.measured(self.of)
        if len(earlier) < 2:
            raise NotMeasured(
                f"device currents under '{self.of}': {len(earlier)}",
                expected="at least two devices in parallel",
                where=self.id,
            )
        found = busiest([value for _, value in earlier])
        reading = earlier[found.index][0]
        equal = 100.0 / len(earlier)
        sure = float(found.ahead.nominal_value) > COVERAGE_FACTOR * float(found.ahead.std_dev)
        who = reading.channel if sure else "none stands out beyond the resistors' tolerance"
        yield self.reading(
            LARGEST_SHARE,
            100.0 * found.share,
            channel=self.of.partition(".")[2],
            instruments=sorted({name for r, _ in earlier for name in r.instruments}),
            note=f"{who}; an equal share is {equal:.3g} %",
        )
