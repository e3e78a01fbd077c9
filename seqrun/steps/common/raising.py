"""Raising the rails in stages under current limit, as first power and as power once more."""

from __future__ import annotations

from contextlib import suppress

from pydantic import Field

from seqrun.errors import NotMeasured, Tripped
from seqrun.files.expression import AmperesExpression, VoltsExpression
from seqrun.plan.context import Context, Indication
from seqrun.plan.contract import Step
from seqrun.plan.needs import SupplyUse
from seqrun.plan.view import BenchView
from seqrun.quantity import Amperes, Seconds
from seqrun.values import rectangular

#: a relay's delay begins somewhere above this share of the full rails; nobody is told where
COUNTS_FROM = 0.6
#: the bench time of that, as budgets call it
RAILS_UP = "moment the rails came up"

OVER_CURRENT_AT = "over-current protection of the supply, A"
CLEAR_OF = 0.8  # of it: both levels have their errors (our own choice)


class RaisesRails(Step):
    """A step that raises the rails in stages under current limit.

    Each stage waits until the rails have arrived and the current has stopped falling, and is
    checked against what a healthy unit would draw.
    """

    to: VoltsExpression = Field(description='where the rails are raised to, such as "rail_voltage"')
    stages: int = Field(default=10, ge=2, le=100, description="steps of equal size on the way up")
    healthy_current: AmperesExpression = Field(
        description="what a healthy unit draws at most, at each stage"
    )
    current_limit: AmperesExpression | None = Field(
        None, description="of the supply while it is raised"
    )
    running_limit: AmperesExpression | None = Field(
        None, description="of the supply afterwards; as before when left out"
    )
    stage_time: Seconds = Field(default=10.0, description="how long a stage may take to settle")
    calm: Amperes = Field(
        default=0.005, description="change of the current between two looks that counts as rest"
    )

    def supply_use(self, view: BenchView) -> SupplyUse:
        """What that asks of the supply."""
        limits = (self.current_limit, self.running_limit)
        amperes = [a for limit in limits if (a := view.rated(limit, "A")) is not None]
        return SupplyUse(view.rated(self.to, "V"), max(amperes, default=None))

    def raise_rails(self, ctx: Context) -> None:
        """Switch the supply on and bring the rails up; the running limit is set at the end.

        Raises:
            Tripped: a stage does not settle, or draws more than a healthy unit.
        """
        target = ctx.evaluate(self.to, "V")
        healthy = ctx.evaluate(self.healthy_current, "A")
        limit = self._limit(ctx, healthy)
        supply = ctx.supply
        rails = ctx.view.rails
        for output in rails.values():
            supply.set_current_limit(output, limit)
            supply.set_voltage(output, 0.0)
        supply.enable(True)
        since = up = ctx.clock.now()
        for stage in range(1, self.stages + 1):
            volts = target * stage / self.stages
            if target * (stage - 1) / self.stages <= COUNTS_FROM * target:
                since = ctx.clock.now()
            for output in rails.values():
                supply.set_voltage(output, volts)
            up = self._await_stage(ctx, stage, volts, healthy)
            told = f"stage {stage} of {self.stages}: {volts:.1f} V"
            ctx.progress(told, stage / self.stages, Indication("rails", volts, "V"))
        ctx.rails_came_up(rectangular(0.5 * (since + up), 0.5 * (up - since), RAILS_UP))
        running = ctx.evaluate(self.running_limit, "A") if self.running_limit else None
        if running is not None:
            for output in rails.values():
                supply.set_current_limit(output, running)

    def _limit(self, ctx: Context, healthy: float) -> float:
        """The current limit on the way up, A. Reservoirs fill at the limit: where nobody asks for
        another it stays clear of the supply's own protection, which would take that for a short."""
        if self.current_limit:
            return ctx.evaluate(self.current_limit, "A")
        protection = ctx.kept(OVER_CURRENT_AT)
        least = 1.5 * healthy
        return min(least, CLEAR_OF * protection) if isinstance(protection, float) else least

    def _await_stage(self, ctx: Context, stage: int, volts: float, healthy: float) -> float:
        """Bench time at which the rails were first seen to have arrived."""
        supply = ctx.supply
        there: list[float] = []
        last: dict[str, float] = {}
        where = f"{self.id}, stage {stage} of {self.stages} ({volts:.3g} V)"

        def arrived() -> bool | None:
            calm = near = True
            for rail, output in ctx.view.rails.items():
                amperes = supply.current_raw(output)
                calm &= rail in last and abs(amperes - last[rail]) <= self.calm
                last[rail] = amperes
                reached = float(supply.voltage(output).nominal_value)
                near &= abs(reached - volts) <= max(0.02 * volts, 0.1)
                if near and amperes > healthy and supply.has("constant_current"):
                    # The last volts still come in at the limit: reservoirs that charge. Where the
                    # supply's answer is no answer, the current alone decides.
                    with suppress(NotMeasured):
                        near &= not supply.constant_current(output)
                    if near:  # they may have come to their end since the current was read
                        last[rail] = supply.current_raw(output)
                        calm &= abs(last[rail] - amperes) <= self.calm
            if near:
                there.append(ctx.clock.now())
            return True if calm and near else None

        try:
            ctx.wait_until(
                arrived, every_s=0.25, at_most_s=self.stage_time, what=f"stage {stage} to settle"
            )
        except NotMeasured:
            drawn = ", ".join(f"{rail} {a:.3g} A" for rail, a in last.items())
            raise Tripped(
                f"the rails do not settle at this stage; the unit draws {drawn}",
                expected=f"{volts:.3g} V on every rail and less than {healthy:.3g} A",
                where=where,
                hint="look for a shorted output device or a wrong bias before powering it again",
            ) from None
        for rail, amperes in last.items():
            # Where the supply cannot tell, the rail's volts and amperes above have told enough: a
            # rail held by its limit does not arrive.
            tells = supply.has("constant_current")
            if amperes > healthy or (tells and supply.constant_current(ctx.view.rails[rail])):
                raise Tripped(
                    f"{rail} draws {amperes:.3g} A",
                    expected=f"at most {healthy:.3g} A from a healthy unit",
                    where=where,
                    hint="look for a shorted output device or a wrong bias before powering it "
                    "again",
                )
        return there[0]
