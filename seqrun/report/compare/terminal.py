"""Before and after in a terminal of 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, TextIO

from seqrun.judge.change import Change
from seqrun.report.compare.pairs import RunPair
from seqrun.report.compare.reading import ReadingPair
from seqrun.report.shared.rows import Row
from seqrun.report.shared.screen import (
    SIMULATED,
    STYLES,
    WIDTH,
    clean,
    console,
    is_ascii,
    plain,
)
from seqrun.report.shared.verdicts import MARKS

if TYPE_CHECKING:
    from rich.console import Group, RenderableType
    from rich.table import Table
    from rich.text import Text

_SHAPES = {
    "changed": ("≠", "*", "bold"),
    "unchanged": ("=", "=", "green"),
    "cannot tell": ("○", "?", "yellow"),
    "only before": ("◁", "<", "yellow"),
    "only after": ("▷", ">", "yellow"),
}
_CHANGED, _OPEN = Change.CHANGED.value, Change.CANNOT_TELL.value
_STEPS = 12  # named when only one run has them


def comparison(run: RunPair, file: TextIO | None = None, *, everything: bool = False) -> None:
    """Print what changed between two runs.

    Args:
        everything: also what stayed as it was and what only one run has, which are otherwise only
            counted.
    """
    target = console(file)
    target.print(comparison_view(run, everything=everything, ascii_only=is_ascii(target)))


def comparison_view(run: RunPair, *, everything: bool = False, ascii_only: bool = False) -> Group:
    """Both runs, what to know before comparing them, and the readings, what matters most first."""
    from rich.console import Group
    from rich.rule import Rule
    from rich.text import Text

    say = plain if ascii_only else clean
    parts: list[RenderableType] = []
    if run.simulated:
        parts.append(Text(SIMULATED, "reverse"))
    for word, s in (("before", run.before), ("after", run.after)):
        line = Text(f"{word:<7}")
        line.append(f"{s.heading:<8}", "bold")
        when = s.started_utc[:16].replace("T", " ")
        line.append(say(f" {when}  {s.serial}  {s.title}"))
        parts += [line, Text(say(f"       {s.run_id}"), "dim")]
    parts += [Text(say(f"Note: {text}"), "bold") for text in run.notices]
    tally = ", ".join(f"{n} {word}" for word, n in run.counts) or "no reading"
    if run.slight:
        tally += f" ({run.slight} of the changed: too little to matter)"
    parts.append(Text(tally))
    parts += [Text(say(text), "bold") for text in run.told]
    shown = [p for p in run.ordered() if everything or _matters(p)]
    if shown:
        parts += [Text(), _table(shown, ascii_only)]
    elif run.pairs:
        parts.append(Text("Nothing changed that this bench can see."))
    if not everything:
        parts += [Text(say(text)) for text in _alone(run)]
    left = {
        "unchanged": sum(p.word == Change.UNCHANGED for p in run.pairs),
        "that cannot be told": sum(p.word == _OPEN and not _matters(p) for p in run.pairs),
    }
    parts.append(Rule(style="dim", characters="-" if ascii_only else "─"))
    counted = [f"{n} {word}" for word, n in left.items() if n]
    if counted and not everything:
        parts.append(Text(f"not shown: {', '.join(counted)}; --all shows them", "dim"))
    parts += [Text(say(text), "dim") for text in run.rule]
    if run.simulated:
        parts.append(Text("SIMULATED", "reverse"))
    return Group(*parts)


def _matters(pair: ReadingPair) -> bool:
    return pair.word == _CHANGED or pair.verdict_changed


def _alone(run: RunPair) -> list[str]:
    """Steps that only one run came to, in a few words."""
    said = []
    for word in ("only before", "only after"):
        found = [p.row.step for p in run.pairs if p.word == word]
        steps = list(dict.fromkeys(found))
        if steps:
            more = f" and {len(steps) - _STEPS} more" if len(steps) > _STEPS else ""
            said.append(f"{len(found)} {word}: {', '.join(steps[:_STEPS])}{more}")
    return said


def _table(pairs: list[ReadingPair], ascii_only: bool) -> Table:
    from rich.table import Table
    from rich.text import Text

    say = plain if ascii_only else clean
    table = Table(box=None, padding=(0, 1, 0, 0), width=WIDTH, pad_edge=False, header_style="dim")
    table.add_column("step and quantity", width=19, overflow="fold")
    for head in ("before ± U", "after ± U"):
        table.add_column(say(head), width=14, overflow="fold")
    table.add_column(say("difference ± U"), width=14, overflow="fold")
    table.add_column("change", width=15, overflow="fold")
    for pair in pairs:
        shape, spelt, style = _SHAPES[pair.word]
        name = Text(say(pair.row.step))
        name.append(say(f"\n{pair.name}"), "dim")
        word = Text(f"{spelt if ascii_only else shape} {pair.word}", style)
        if pair.comment:
            word.append(say(f"\n{pair.comment}"), "not bold dim")
        table.add_row(
            name,
            _side(pair.before, ascii_only),
            _side(pair.after, ascii_only),
            Text(say(_two_lines(pair.shown))),
            word,
        )
    return table


def _side(row: Row | None, ascii_only: bool) -> Text:
    from rich.text import Text

    if row is None:
        return Text("-", "dim")
    say = plain if ascii_only else clean
    text = Text(say(_two_lines(row.shown)))
    short = MARKS[row.verdict].short
    if short and row.value is not None:
        mark = MARKS[row.verdict]
        text.append(f"\n{mark.ascii if ascii_only else mark.shape} {short}", STYLES[row.verdict])
    return text


def _two_lines(text: str) -> str:
    """A value too wide for its column breaks before its uncertainty, not within a number."""
    return text.replace(" ± ", "\n± ") if len(text) > 14 else text
