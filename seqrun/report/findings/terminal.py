"""Findings, and repair or salvage, in a terminal of 80 columns, with or without colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, TextIO

from seqrun.judge.findings import Findings
from seqrun.judge.salvage import Advice
from seqrun.report.findings import words as say
from seqrun.report.shared.screen import SIMULATED, clean, console, is_ascii, plain
from seqrun.values import Disposition

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import RenderableType
    from rich.table import Table

    from seqrun.record.photos import Photo


def show_findings(
    findings: Findings,
    *,
    about: str,
    simulated: bool,
    disposition: Disposition | None = None,
    advice: Advice | None = None,
    invented: bool = False,
    photos: Sequence[Photo] = (),
    file: TextIO | None = None,
) -> None:
    """Print the likely causes with their reasons, and what repair or salvage would come to.

    Args:
        about: which unit and run, one line.
        disposition: of the run.
        invented: the costs are those of the shipped example.
        photos: of the unit; they stand with what is worth keeping.
    """
    from rich.console import Group
    from rich.text import Text

    target = console(file)
    text = plain if is_ascii(target) else clean
    parts: list[RenderableType] = []
    if simulated:
        parts.append(Text(SIMULATED, "reverse"))
    parts.append(Text(text(f"Findings  {about}"), "bold"))
    parts.append(Text(text(say.heading(findings, disposition))))
    for told in say.told(findings):
        parts += [Text(), _cause(told, text)]
    if findings.faulty:
        if findings.apart and len(say.told(findings)) > 1:
            parts += [Text(), _item("?", f"To tell 1 and 2 apart: {findings.apart}", text)]
        second = say.second_fault(findings)
        if second:
            parts += [Text(), _item("!", second, text)]
        parts += [Text(), _item("!", f"CAUTION  {say.caution_for(findings)}", text)]
    parts.append(Text())
    parts += [
        _item(" ", f"{name}: {'; '.join(titles)}", text) for name, titles in _groups(findings)
    ]
    if advice is not None:
        parts += [Text(), *_advice(advice, photos, text)]
        parts += [_item("!", f"Costs: {say.INVENTED}.", text)] if invented else []
    parts += [Text(), Text(text(say.odds_from(simulated)), "dim")]
    if findings.faulty:
        parts.append(Text(text(say.KEY), "dim"))
    if simulated:
        parts.append(Text("SIMULATED", "reverse"))
    target.print(Group(*parts))


def _groups(findings: Findings) -> list[tuple[str, list[str]]]:
    return [(name.capitalize(), titles) for name, titles in say.sections(findings)]


def _cause(told: say.ToldCause, text: Callable[[str], str]) -> Table:
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=6, justify="right", no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(
        Text(told.percent, "bold"), Text(text(f"{told.rank}. {told.finding.title}"), "bold")
    )
    if told.where:
        grid.add_row("", Text(text(told.where), "dim"))
    for reason in told.reasons_for:
        grid.add_row(Text(say.ratio(reason), "dim"), Text(text(f"for: {reason.words}")))
    for reason in told.reasons_against:
        grid.add_row(Text(say.ratio(reason), "dim"), Text(text(f"against: {reason.words}")))
    grid.add_row(">", Text(text(f"Next: {told.finding.next}")))
    return grid


def _advice(
    advice: Advice, photos: Sequence[Photo], text: Callable[[str], str]
) -> list[RenderableType]:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="dim")
    table.add_column("repair or salvage")
    table.add_column("expected", justify="right")
    table.add_column(text("u"), justify="right")
    table.add_column("8 outcomes in 10 lie within", justify="right")
    for choice in (advice.repair, advice.salvage):
        table.add_row(
            Text(choice.name, "bold" if choice.name == advice.better else ""),
            Text(text(say.money(choice.mean, advice.currency))),
            Text(text(say.money(choice.u, advice.currency))),
            Text(text(say.spread(choice, advice.currency))),
        )
    parts: list[RenderableType] = [table]
    parts += [_item(" ", words, text) for words in say.advice_words(advice)]
    kept = say.kept_words(advice)
    if kept:
        parts.append(_item(" ", f"Worth keeping, for it measured good: {'; '.join(kept)}.", text))
    if photos:
        told = "; ".join(dict.fromkeys(photo.words for photo in photos))
        where = f"in {photos[-1].path.parent}, named as in cases.csv"
        parts.append(_item(" ", f"Photographs: {told} ({where}).", text))
    parts.append(_item(" ", say.SUGGESTION, text))
    return parts


def _item(mark: str, words: str, text: Callable[[str], str]) -> Table:
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=1)
    grid.add_column(overflow="fold")
    grid.add_row(mark, Text(text(words)))
    return grid
