"""What steps have in common that drive a tone at a stated output power and read what comes out."""

from __future__ import annotations

from pydantic import Field

from seqrun.files.expression import WattsExpression
from seqrun.plan.context import Context
from seqrun.plan.contract import Step
from seqrun.plan.needs import Needs
from seqrun.plan.view import BenchView
from seqrun.steps.common.drive import drive_needs


class AtPower(Step):
    """A step that drives the inputs with a tone.

    With ``each = "channel"`` that channel alone is driven, otherwise all together.
    """

    power: WattsExpression | None = Field(
        None, description="into each load; 1 W, or a tenth of rated_power if that is less"
    )

    def planned_watts(self, view: BenchView) -> float:
        """The power from the files alone."""
        if self.power is None:
            return min(1.0, 0.1 * view.unit.rated_power)
        return self.power.evaluate_in("W", view.unit.names())

    def watts(self, ctx: Context) -> float:
        """The power, W."""
        return ctx.evaluate(self.power, "W") if self.power else self.planned_watts(ctx.view)

    def needs_at_power(self, view: BenchView, seconds: float, at_most: float = 1.0) -> Needs:
        """``at_most``: how many times the stated power the loads may get."""
        watts = at_most * self.planned_watts(view)
        return drive_needs(view, self.channels(view), watts, seconds=seconds)
