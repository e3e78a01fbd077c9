"""Histories in a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TextIO

from seqrun.report.history.trends import (
    LimitHistory,
    ModelHistory,
    Trend,
    UnitHistory,
    bins,
    chance_words,
    interval_words,
    left_out_words,
    nothing_drifts,
    percent,
    yield_words,
)
from seqrun.report.shared.screen import SIMULATED, WIDTH, clean, console, is_ascii, plain
from seqrun.report.shared.verdicts import DISPOSITION_MARKS

if TYPE_CHECKING:
    from rich.console import Group, RenderableType
    from rich.table import Table
    from rich.text import Text

_LEVELS, _LEVELS_ASCII = "▁▂▃▄▅▆▇█", "_.,-~=+#"
_BAR = 13
_RUNS_SHOWN = 12
_SENTENCES = 8
_WORDS = {
    "drifts": "bold red",
    "steady": "green",
    "cannot tell": "yellow",
    "too few": "dim",
    "no value": "dim",
}


def unit_history(history: UnitHistory, file: TextIO | None = None) -> None:
    """Print the runs of a unit and what its readings do over time."""
    target = console(file)
    target.print(unit_view(history, ascii_only=is_ascii(target)))


def models_history(histories: Sequence[ModelHistory], file: TextIO | None = None) -> None:
    """Print yield and spread of each limit, model by model."""
    target = console(file)
    for history in histories:
        target.print(model_view(history, ascii_only=is_ascii(target)))


def unit_view(history: UnitHistory, *, ascii_only: bool = False) -> Group:
    """The runs, the latest last; what drifts, in words; every reading with its course."""
    from rich.console import Group
    from rich.text import Text

    say = plain if ascii_only else clean
    parts: list[RenderableType] = _marks(history.simulated)
    head = Text(say(history.serial), "bold")
    n = len(history.runs)
    head.append(say(f"  {', '.join(history.models)}  {n} run{'' if n == 1 else 's'}"))
    parts.append(head)
    parts += [Text(say(f"Record that proves nothing: {text}"), "bold red") for text in history.lost]
    if len(history.runs) > _RUNS_SHOWN:
        parts.append(Text(f"  {len(history.runs) - _RUNS_SHOWN} earlier runs", "dim"))
    for run in history.runs[-_RUNS_SHOWN:]:
        mark = DISPOSITION_MARKS[run.disposition]
        line = Text("  ", no_wrap=True, overflow="crop" if ascii_only else "ellipsis")
        line.append(f"{mark.ascii if ascii_only else mark.shape} {mark.short:<8}", "bold")
        line.append(f"{run.started_utc[:16].replace('T', ' ')}  ")
        line.append(say(f"{run.sequence} {run.revision}".strip()))
        line.append(say(f"  {run.reason}"), "dim")
        parts.append(line)
    parts.append(Text())
    parts += _sentences(history.trends, ascii_only)
    if history.trends:
        parts += [Text(), _trends_table(history.trends, ascii_only)]
    else:
        parts.append(Text("No reading of these runs is on record."))
    parts += _foot(history.trends, history.left_out, history.simulated, ascii_only)
    return Group(*parts)


def model_view(history: ModelHistory, *, ascii_only: bool = False) -> Group:
    """Yield of the model, then every limit, the lowest yield first."""
    from rich.console import Group
    from rich.text import Text

    say = plain if ascii_only else clean
    parts: list[RenderableType] = _marks(history.simulated)
    head = Text(say(history.model), "bold")
    head.append(say(f"  {history.sequence}  {history.runs} runs"))
    parts += [head, *(Text(say(text)) for text in yield_words(history.accepted)), Text()]
    parts += _sentences([limit.trend for limit in history.limits], ascii_only)
    if history.limits:
        parts += [Text(), _limits_table(history.limits, ascii_only)]
    else:
        parts.append(Text("No reading was held against a limit."))
    trends = [limit.trend for limit in history.limits]
    parts += _foot(trends, history.left_out, history.simulated, ascii_only)
    return Group(*parts)


def _sentences(trends: Sequence[Trend], ascii_only: bool) -> list[RenderableType]:
    from rich.text import Text

    say = plain if ascii_only else clean
    moving = [t for t in trends if t.word == "drifts" and not t.slight]
    parts: list[RenderableType] = []
    if moving:
        parts.append(Text("What drifts", "bold"))
    for trend in moving[:_SENTENCES]:
        parts.append(Text(say(f"  {trend.sentence}")))
    if len(moving) > _SENTENCES:
        parts.append(Text(f"  and {len(moving) - _SENTENCES} more, below"))
    words = nothing_drifts(trends)
    if words:
        parts.append(Text(words))
    return parts


def _trends_table(trends: Sequence[Trend], ascii_only: bool) -> Table:
    from rich.text import Text

    say = plain if ascii_only else clean
    table = _table(
        ("step and quantity", 21),
        ("course", _BAR),
        (say("latest ± U"), 16),
        (say("moved ± U"), 16),
        ("", 11),
    )
    for trend in trends:
        word = Text(trend.word, _WORDS[trend.word])
        if trend.slight:
            word = Text("drifts,\ntoo little\nto matter", "dim")
        table.add_row(
            _name(trend, say(trend.row.step), say(trend.row.name)),
            Text(course(trend, _BAR, ascii_only=ascii_only)),
            Text(say(_two_lines(trend.row.shown))),
            Text(say(trend.moved_shown.replace(" in ", "\nin "))),
            word,
        )
    return table


def _limits_table(limits: Sequence[LimitHistory], ascii_only: bool) -> Table:
    from rich.text import Text

    say = plain if ascii_only else clean
    table = _table(
        ("step and quantity", 21),
        ("pass", 14),
        (say("mean ± 2 s"), 16),
        ("limit", 12),
        ("spread", _BAR),
    )
    for limit in limits:
        share = Text(percent(limit.passed, limit.units))
        within = interval_words(limit.passed, limit.units).replace(" to ", "-")
        share.append(f"\n{within}", "dim")
        wanted = limit.row.limit_short.replace(" to ", "\nto ")
        if limit.limits > 1:
            wanted += f"\n(of {limit.limits})"
        table.add_row(
            _name(limit.trend, say(limit.row.step), say(limit.row.name)),
            share,
            Text(say(_two_lines(limit.spread_shown))),
            Text(say(wanted)),
            Text(spread(limit, _BAR, ascii_only=ascii_only)),
        )
    return table


def course(trend: Trend, width: int, *, ascii_only: bool = False) -> str:
    """Values over the runs as a row of bars, averaged when there are more than fit.

    The full height is at least what would matter, so that noise does not look like movement.
    """
    import numpy as np

    if not len(trend.values):
        return ""
    pieces = np.array_split(trend.values, min(width, len(trend.values)))
    heights = np.array([piece.mean() for piece in pieces])
    middle = (heights.max() + heights.min()) / 2.0
    span = max(float(np.ptp(heights)), trend.matters) or 1.0
    levels = _LEVELS_ASCII if ascii_only else _LEVELS
    shares = (heights - middle) / span + 0.5
    return "".join(levels[min(int(share * len(levels)), len(levels) - 1)] for share in shares)


def spread(limit: LimitHistory, width: int, *, ascii_only: bool = False) -> str:
    """How the units lie about the limit: a histogram in one line, the limits as strokes."""
    found = bins(limit, width)
    if found is None:
        return ""
    counts, edges = found
    levels = _LEVELS_ASCII if ascii_only else _LEVELS
    most = counts.max()
    cells = [" " if n == 0 else levels[int((len(levels) - 1) * n / most)] for n in counts]
    for side in (limit.row.limit_low, limit.row.limit_high):
        if side is not None:
            at = int((side - edges[0]) / (edges[-1] - edges[0]) * width)
            cells[min(max(at, 0), width - 1)] = "|" if ascii_only else "┃"
    return "".join(cells)


def _table(*columns: tuple[str, int]) -> Table:
    from rich.table import Table

    table = Table(box=None, padding=(0, 1, 0, 0), width=WIDTH, pad_edge=False, header_style="dim")
    for head, width in columns:
        table.add_column(head, width=width, overflow="fold")
    return table


def _name(trend: Trend, step: str, quantity: str) -> Text:
    from rich.text import Text

    name = Text(step)
    name.append(f"\n{quantity}", "dim")
    return name


def _marks(simulated: bool) -> list[RenderableType]:
    from rich.text import Text

    return [Text(SIMULATED, "reverse")] if simulated else []


def _foot(
    trends: Sequence[Trend], left_out: int, simulated: bool, ascii_only: bool
) -> list[RenderableType]:
    from rich.rule import Rule
    from rich.text import Text

    parts: list[RenderableType] = [Rule(style="dim", characters="-" if ascii_only else "─")]
    for words in (chance_words(trends), left_out_words(left_out, simulated)):
        if words:
            parts.append(Text(words, "dim"))
    if simulated:
        parts.append(Text("SIMULATED", "reverse"))
    return parts


def _two_lines(text: str) -> str:
    return text.replace(" ± ", "\n± ") if len(text) > 16 else text


__all__ = ["course", "model_view", "models_history", "spread", "unit_history", "unit_view"]
