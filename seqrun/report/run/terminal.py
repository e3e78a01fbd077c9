"""The same report in a terminal of 80 columns, with or without colour, in UTF-8 or plain ASCII."""

from __future__ import annotations

from typing import TYPE_CHECKING, TextIO

from seqrun.report.run.forecast import plan_summary
from seqrun.report.run.progress import Progress
from seqrun.report.shared.glossary import explained, lines
from seqrun.report.shared.rows import Row
from seqrun.report.shared.scale import text_bar
from seqrun.report.shared.screen import (
    SIMULATED,
    STYLES,
    WIDTH,
    clean,
    console,
    is_ascii,
    plain,
)
from seqrun.report.shared.summary import Summary, summarise
from seqrun.report.shared.verdicts import DISPOSITION_MARKS, MARKS, counts
from seqrun.values import Disposition, Verdict

if TYPE_CHECKING:
    from rich.console import Group, RenderableType
    from rich.table import Table

    from seqrun.record import RunData

_BAR = 13
_DISPOSITION_STYLES = {
    Disposition.ACCEPT: "bold green",
    Disposition.HOLD: "bold yellow",
    Disposition.REJECT: "bold red",
    Disposition.ABORTED: "bold magenta",
}
__all__ = ["Progress", "budget_table", "plan_summary", "run_summary"]


def run_summary(run: RunData | Summary, file: TextIO | None = None) -> None:
    """Print what the page says, to a terminal, a file or a pipe (standard output by default)."""
    target = console(file)
    target.print(summary_view(run, ascii_only=is_ascii(target)))


def budget_table(run: RunData | Summary, file: TextIO | None = None) -> None:
    """Print what each reading's uncertainty is made of."""
    target = console(file)
    target.print(budget_view(run, ascii_only=is_ascii(target)))


def summary_view(run: RunData | Summary, *, ascii_only: bool = False) -> Group:
    """Disposition, what decided it, what to do next, and every limit with its margin."""
    from rich.console import Group
    from rich.rule import Rule
    from rich.text import Text

    summary = run if isinstance(run, Summary) else summarise(run)
    say = plain if ascii_only else clean
    disposition = summary.disposition or Disposition.ABORTED
    mark, style = DISPOSITION_MARKS[disposition], _DISPOSITION_STYLES[disposition]
    parts: list[RenderableType] = []
    if summary.simulated:
        parts.append(Text(SIMULATED, "reverse"))
    head = Text()
    head.append(f"{mark.ascii if ascii_only else mark.shape} {summary.heading}", style)
    head.append(say(f"  {summary.model}  {summary.serial}  {summary.title}"))
    parts += [head, Text(say(summary.heading_words))]
    tally = ", ".join(f"{n} {verdict.value}" for verdict, n in counts(summary.rows))
    if tally:
        parts.append(Text(tally))
    parts.append(Text())
    for said in summary.deciding:
        verdict = said.row.verdict if said.row else Verdict.NONE
        parts.append(_item(say(said.text), _shape(verdict, ascii_only), STYLES[verdict]))
    for text in summary.next_actions:
        parts.append(_item(say(f"Next: {text}"), ">", "bold"))
    if summary.cautions:
        parts += [Text(), Text("CAUTIONS", "bold")]
        parts += [_item(say(text), "!", "bold") for text in summary.cautions]
    if summary.limits:
        parts += [Text(), limits_table(summary.limits, ascii_only=ascii_only)]
    parts.append(Rule(style="dim", characters="-" if ascii_only else "─"))
    words = explained(summary.limits, summary.coverage)
    parts += [_item(say(line), " ", "dim") for line in lines(words)]
    parts.append(Text(say(f"run {summary.run_id}  U: k = {summary.coverage:g}"), "dim"))
    if summary.simulated:
        parts.append(Text("SIMULATED", "reverse"))
    return Group(*parts)


def limits_table(rows: tuple[Row, ...], *, ascii_only: bool = False) -> Table:
    """Each limit: step, value ± U, limit, a small bar of the margin, verdict."""
    from rich.table import Table
    from rich.text import Text

    say = plain if ascii_only else clean
    table = Table(box=None, padding=(0, 1, 0, 0), width=WIDTH, pad_edge=False, header_style="dim")
    table.add_column("step and quantity", width=24, overflow="fold")
    table.add_column(say("value ± U"), width=15, overflow="fold")
    table.add_column("limit", width=11, overflow="fold")
    table.add_column("margin", width=_BAR, no_wrap=True)
    table.add_column("verdict", width=12, no_wrap=True)
    for row in rows:
        style = STYLES[row.verdict]
        name = Text(say(row.step))
        name.append(say(f"\n{row.name}"), "dim")
        word = f"{_shape(row.verdict, ascii_only)} {MARKS[row.verdict].short}"
        table.add_row(
            name,
            Text(say(_two_lines(row.shown))),
            Text(say(row.limit_short.replace(" to ", "\nto "))),
            Text(text_bar(row, _BAR, ascii_only=ascii_only)),
            Text(word, style),
        )
    return table


def budget_view(run: RunData | Summary, *, ascii_only: bool = False) -> Group:
    """What each reading's uncertainty is made of, largest first."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    summary = run if isinstance(run, Summary) else summarise(run)
    say = plain if ascii_only else clean
    parts: list[RenderableType] = []
    for row in summary.rows:
        if row.value is None:
            continue
        parts.append(Text(say(f"{row.step}  {row.name}: {row.shown}"), "bold"))
        if not row.budget:
            parts += [Text("  no budget on record"), Text()]
            continue
        table = Table(box=None, padding=(0, 1, 0, 0), width=WIDTH, header_style="dim")
        table.add_column("contribution", width=36, overflow="fold")
        table.add_column("distribution", width=12)
        table.add_column("d.o.f.", width=6, justify="right")
        table.add_column("u", width=13, justify="right")
        table.add_column("share", width=7, justify="right")
        for line in row.budget:
            cells = (
                f"  {line.source.name}",
                line.source.distribution,
                row.freedom_shown(line),
                row.in_unit(line.standard_uncertainty),
                row.share_shown(line),
            )
            table.add_row(*(Text(say(cell)) for cell in cells))
        parts += [table, Text()]
    if not parts:
        return Group(Text("No reading of this run has a value, so none has a budget."))
    return Group(*parts)


def _item(text: str, shape: str, style: str) -> Table:
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=1)
    grid.add_column(overflow="fold")
    grid.add_row(Text(shape, style), Text(text))
    return grid


def _shape(verdict: Verdict, ascii_only: bool) -> str:
    mark = MARKS[verdict]
    return mark.ascii if ascii_only else mark.shape


def _two_lines(text: str) -> str:
    """A value too wide for its column breaks before its uncertainty, not within a number."""
    return text.replace(" ± ", "\n± ") if len(text) > 15 else text
