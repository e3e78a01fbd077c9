"""What a bench can decide, worked out before anything is energised."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from seqrun.errors import SeqrunError, UsageError
from seqrun.files.sequence.fields import LimitSpec
from seqrun.judge import cannot_decide, tur
from seqrun.plan.actions import Action, Plan
from seqrun.plan.measurand import Measurand
from seqrun.plan.needs import Forecast, Unforecast
from seqrun.quantity import Quantity
from seqrun.values import Limit

#: below this the bench decides with little to spare (ANSI/NCSL Z540.3, common practice)
ENOUGH = 4.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """One limit on one quantity, and what the bench is expected to make of it.

    ``limit`` is None while it leans on a reading that is still to be made; ``written`` is the
    limit as the sequence has it. ``expanded_uncertainty`` (in ``unit``) and ``ratio`` (the test
    uncertainty ratio) are None when there is no forecast; ``unforecast`` then says why.
    ``objection`` says why no unit could pass, or "".
    """

    step: str
    quantity: str
    unit: str
    written: str
    limit: Limit | None
    expanded_uncertainty: float | None = None
    ratio: float | None = None
    objection: str = ""
    better: str = ""
    accepted: bool = False
    unforecast: str = ""
    origin: str = ""  # where the limit comes from, where the sequence says it

    @property
    def word(self) -> str:
        """The outlook in a word or two."""
        if self.objection:
            return "CANNOT DECIDE"
        if self.ratio is None:
            return "not forecast"
        return "decides" if self.ratio >= ENOUGH else "weak"


def outlooks(plan: Plan) -> list[Outlook]:
    """One for each quantity that a limit of the plan is about, in order."""
    names = plan.view.unit.names()
    return [
        _outlook(plan, action, action.limit, of, forecast, names)
        for action in plan.actions
        if action.limit is not None
        for of, forecast in action.forecasts
    ]


def _outlook(
    plan: Plan,
    action: Action,
    spec: LimitSpec,
    of: Measurand,
    forecast: Forecast | Unforecast,
    names: Mapping[str, Quantity],
) -> Outlook:
    low, high = spec.sides
    written = " to ".join(str(side) for side in (low, high) if side is not None)
    outlook = Outlook(
        action.id,
        of.name,
        of.unit,
        written,
        None,
        accepted=action.step.accept_undecided,
        origin=spec.origin or "",
    )
    try:
        limit = spec.resolve(of.unit, names)
    except SeqrunError:
        return outlook
    if isinstance(forecast, Unforecast):
        return replace(outlook, limit=limit, unforecast=forecast.why)
    spread = forecast.expanded_uncertainty
    return replace(
        outlook,
        limit=limit,
        expanded_uncertainty=spread,
        ratio=tur(limit, spread, forecast.value),
        objection=cannot_decide(limit, spread, plan.sequence.decision, forecast.floor),
        better=forecast.better,
    )


def limits_from(plan: Plan) -> dict[str, str]:
    """Where the limit of each step comes from, by its id; those whose file does not say it are
    left out."""
    found = {a.id: a.limit.origin for a in plan.actions if a.limit is not None}
    return {name: origin for name, origin in found.items() if origin}


def refuse_undecidable(plan: Plan) -> None:
    """Refuse a plan with a limit that this bench cannot decide, unless the sequence accepts that.

    Raises:
        UsageError: naming each such limit, why, and what would help.
    """
    hopeless = [o for o in outlooks(plan) if o.objection and not o.accepted]
    if not hopeless:
        return
    lines = "\n".join(f"  - {o.step}: {o.objection}" for o in hopeless)
    better = "; ".join(dict.fromkeys(o.better for o in hopeless if o.better))
    raise UsageError(
        f"this bench cannot decide {len(hopeless)} of the limits:\n{lines}",
        expected="a bench whose uncertainty leaves room inside each limit",
        where=plan.view.bench.name,
        hint=(f"{better}; " if better else "")
        + "or accept_undecided = true in the step, which then ends in a hold",
    )
