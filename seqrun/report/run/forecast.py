"""What a plan says in the terminal before anything is energised: what this bench can decide."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, TextIO, get_args

from seqrun.files.sequence.fields import Origin
from seqrun.plan.leaving_out import lines
from seqrun.plan.outlook import ENOUGH, Outlook, outlooks
from seqrun.plan.standing import cautions_screen, screen
from seqrun.quantity import render
from seqrun.report.run.progress import clock
from seqrun.report.shared.glossary import TUR
from seqrun.report.shared.screen import WIDTH, clean, console, is_ascii, plain, wrapped

if TYPE_CHECKING:
    from rich.console import Group, RenderableType

    from seqrun.plan.actions import Action, Plan

_NOT_STATED = "not stated"  # of a limit whose origin the sequence does not give


def _limit(outlook: Outlook) -> str:
    limit, unit = outlook.limit, outlook.unit
    if limit is None:
        return outlook.written
    if limit.low is not None and limit.high is not None:
        return f"{render(limit.low, unit)} to {render(limit.high, unit)}"
    if limit.high is not None:
        return f"≤ {render(limit.high, unit)}"
    return f"≥ {render(limit.low, unit)}" if limit.low is not None else ""


def _spread(outlook: Outlook) -> str:
    if outlook.expanded_uncertainty is None:
        return ""
    return "± " + render(outlook.expanded_uncertainty, outlook.unit, digits=2)


def plan_summary(plan: Plan, file: TextIO | None = None) -> None:
    """Print what will be done, how long it takes, and what this bench can decide."""
    target = console(file)
    target.print(plan_view(plan, ascii_only=is_ascii(target)))


def plan_view(plan: Plan, *, ascii_only: bool = False) -> Group:
    """The plan in 80 columns."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    from seqrun.steps.base import title_of

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
        *(
            Text(say(line), "bold")
            for caution in cautions_screen(plan).splitlines()
            for line in wrapped(caution, 2)
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
        several = sum(other.step == o.step for other in listed) > 1
        name = f"{o.step}, {title_of(o.quantity)}" if several else o.step
        cells = (name, _limit(o), _spread(o), _ratio(o.ratio))
        table.add_row(*(Text(say(cell)) for cell in cells), Text(o.word, style))
    parts += [table, Text()] if listed else [Text("No step of this sequence has a limit.")]
    if any(o.ratio is not None for o in listed):
        parts += [Text(say(line), "dim") for line in wrapped(": ".join(TUR) + ".", 2)]
    for o in listed:
        weak = f"TUR below {ENOUGH:g}:1" if o.word == "weak" else ""
        reason = o.objection or o.unforecast or weak
        if reason:
            better = f" Better: {o.better}." if o.better else ""
            accepted = " The sequence accepts that." if o.objection and o.accepted else ""
            told = wrapped(f"! {o.step}: {reason}.{accepted}{better}", 2)
            parts += [Text(say(line)) for line in told]
    parts += [Text(say(line)) for line in _origins(listed)]
    for line in plan.warnings:
        if not any(o.step and line.startswith(f"{o.step}: ") for o in listed):
            parts += [Text(say(part)) for part in wrapped(f"! {line}", 2)]
    parts += [Text(say(line), "yellow") for line in lines(plan.left_out)]
    if plan.left_out:
        parts.append(Text(say(_what_is_left_out_does(plan))))
    if leads := screen(plan):
        parts += [Text(), *(Text(say(p)) for line in leads.splitlines() for p in wrapped(line, 4))]
    parts += [Text(say(line)) for line in _hookups(plan)]
    return Group(*parts)


def _origins(listed: list[Outlook]) -> Iterator[str]:
    """Where the limits come from: the steps of each origin, as they are repeated."""
    of: dict[str, dict[str, None]] = {}
    for one in listed:
        of.setdefault(one.origin or _NOT_STATED, {})[one.step.split(".")[0]] = None
    if set(of) <= {_NOT_STATED}:
        return
    yield "Where the limits come from:"
    for origin in (*get_args(Origin), _NOT_STATED):
        if origin in of:
            yield from wrapped(f"  {origin}: {', '.join(of[origin])}", 4)


def _hookups(plan: Plan) -> Iterator[str]:
    """Every hookup that will be asked for, in order, and what it is for."""
    made = plan.hookups_for
    if not made:
        return
    yield ""
    yield "HOOKUPS  in the order in which you will be asked, and what each is for:"
    for number, (hookup, actions) in enumerate(made, 1):
        yield from wrapped(f"  {number:>2}. {hookup.words}", 6)
        yield from wrapped(f"      for {'; '.join(map(_purpose, actions))}", 10)


def _purpose(action: Action) -> str:
    """What a step is done for: its quantities, by name, and its id."""
    titles = dict.fromkeys(of.title for of in action.step.judges or action.step.quantities[:1])
    return f"{', '.join(titles) or action.step.kind.replace('_', ' ')} ({action.id})"


def _what_is_left_out_does(plan: Plan) -> str:
    told = "What is left out is not measured, and holds the unit"
    stood_in = sorted({other for ids in plan.stood_in.values() for other in ids})
    if not stood_in:
        return f"{told}."
    by = ", ".join(stood_in)
    return (
        f"{told}, unless this unit gives no access to it and {by}, which stands in for it, passes."
    )


def _ratio(ratio: float | None) -> str:
    if ratio is None or math.isnan(ratio):
        return ""
    return f"{ratio:.0f}" if 10.0 <= ratio < 1000.0 else f"{ratio:.1f}" if ratio < 10.0 else "high"
