"""What a plan says in the terminal before anything is energised: what this bench can decide."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from seqrun.errors import SeqrunError
from seqrun.judge import cannot_decide, tur
from seqrun.quantity import QuantityError, render
from seqrun.report.progress import clock
from seqrun.report.screen import WIDTH, clean, console, is_ascii, plain
from seqrun.values import Limit

if TYPE_CHECKING:
    from rich.console import Group, RenderableType

    from seqrun.plan.build import Action, Plan

#: below this the bench decides with little to spare (ANSI/NCSL Z540.3, common practice)
ENOUGH = 4.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """One limit and what the bench is expected to make of it. Texts are in words."""

    step: str
    limit: str
    expected: str  # U that the bench is expected to reach
    ratio: float | None  # test uncertainty ratio; None when it is not known
    objection: str  # why no unit could pass, or ""
    better: str

    @property
    def word(self) -> str:
        if self.objection:
            return "CANNOT DECIDE"
        if self.ratio is None:
            return "not forecast"
        return "decides" if self.ratio >= ENOUGH else "weak"


def outlooks(plan: Plan) -> list[Outlook]:
    """One for each limit of the plan, in order."""
    names = plan.view.unit.names()
    return [_outlook(plan, action, names) for action in plan.actions if action.limit is not None]


def _outlook(plan: Plan, action: Action, names: object) -> Outlook:
    assert action.limit is not None
    unit = getattr(action.step, "unit", "")
    forecast = action.needs.forecast
    low, high = action.limit.sides
    written = " to ".join(str(side) for side in (low, high) if side is not None)
    try:
        limit = action.limit.resolve(unit, names)  # type: ignore[arg-type]
    except (SeqrunError, QuantityError):  # it leans on a reading that is still to be made
        return Outlook(action.id, written, "", None, "", "")
    shown = _limit(limit, unit)
    if forecast is None:
        return Outlook(action.id, shown, "", None, "", "")
    expected = "± " + render(forecast.expanded_uncertainty, unit, digits=2)
    return Outlook(
        action.id,
        shown,
        expected,
        tur(limit, forecast.expanded_uncertainty, forecast.value),
        cannot_decide(limit, forecast.expanded_uncertainty, plan.sequence.decision, forecast.floor),
        forecast.better,
    )


def _limit(limit: Limit, unit: str) -> str:
    if limit.low is not None and limit.high is not None:
        return f"{render(limit.low, unit)} to {render(limit.high, unit)}"
    if limit.high is not None:
        return f"≤ {render(limit.high, unit)}"
    return f"≥ {render(limit.low, unit)}" if limit.low is not None else ""


def plan_summary(plan: Plan, file: TextIO | None = None) -> None:
    """Print what will be done, how long it takes, and what this bench can decide."""
    target = console(file)
    target.print(plan_view(plan, ascii_only=is_ascii(target)))


def plan_view(plan: Plan, *, ascii_only: bool = False) -> Group:
    """The plan in 80 columns."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    say = plain if ascii_only else clean
    parts: list[RenderableType] = [
        Text(say(f"{plan.sequence.title}, revision {plan.sequence.revision}"), "bold"),
        Text(
            say(
                f"{plan.view.unit.model} on {plan.view.bench.name}: {len(plan.actions)} steps,"
                f" {len(plan.hookups)} hookups, about {clock(plan.seconds())} of bench time,"
                f" decision {plan.sequence.decision}"
            )
        ),
        Text(),
    ]
    table = Table(box=None, padding=(0, 1, 0, 0), width=WIDTH, pad_edge=False, header_style="dim")
    for heading, width in (("step", 26), ("limit", 20), ("expected U", 12), ("TUR", 4)):
        table.add_column(heading, width=width, overflow="fold")
    table.add_column("bench", width=13, no_wrap=True)
    listed = outlooks(plan)
    for o in listed:
        style = "bold red" if o.objection else "yellow" if o.word == "weak" else ""
        cells = (o.step, o.limit, o.expected, _ratio(o.ratio))
        table.add_row(*(Text(say(cell)) for cell in cells), Text(o.word, style))
    parts += [table, Text()] if listed else [Text("No step of it has a limit.")]
    for o in listed:
        reason = o.objection or (f"below {ENOUGH:g}:1" if o.word == "weak" else "")
        if reason:
            better = f" Better: {o.better}." if o.better else ""
            parts.append(Text(say(f"! {o.step}: {reason}.{better}")))
    parts += [Text(say(f"! {text}")) for text in plan.warnings]
    return Group(*parts)


def _ratio(ratio: float | None) -> str:
    if ratio is None or math.isnan(ratio):
        return ""
    return f"{ratio:.0f}" if 10.0 <= ratio < 1000.0 else f"{ratio:.1f}" if ratio < 10.0 else "high"
