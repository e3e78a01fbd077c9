"""Two runs side by side, reading by reading: what changed, what did not, what cannot be told."""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import FileError, UsageError
from seqrun.judge.change import CHANCE, KEPT, SHARE, Change, Difference, difference
from seqrun.quantity import render
from seqrun.record.seal import NOT_COUNTED
from seqrun.report.shared.rows import Row
from seqrun.report.shared.summary import Summary, summarise
from seqrun.values import Verdict

if TYPE_CHECKING:
    from seqrun.record import RunData
    from seqrun.values import Judged

_SPELT = 6  # readings named in one sentence
#: from best to worst; to be held back is worse than to be let go
_ORDER = (
    Verdict.PASS,
    Verdict.CONDITIONAL_PASS,
    Verdict.NOT_MEASURED,
    Verdict.CONDITIONAL_FAIL,
    Verdict.FAIL,
)
_CANCELLED = (
    "Common errors cancelled: in {n} of {of} differences, what both runs read wrong alike (a range"
    " of the same instrument in one calibration; the same load, sensor or ballast resistor) counts"
    f" as correlated by {KEPT:g} (JCGM 100, 5.2), which is our own rule. "
)
_BALLASTS = {
    False: "A ballast resistor that was replaced in between does not cancel: --new-ballasts.",
    True: "Ballast resistors were replaced in between; their tolerance does not cancel.",
}
CSV_COLUMNS = (
    "run_before",
    "run_after",
    "step",
    "channel",
    "quantity",
    "unit",
    "before",
    "before_expanded_uncertainty",
    "before_bound",
    "before_verdict",
    "after",
    "after_expanded_uncertainty",
    "after_bound",
    "after_verdict",
    "limit_low",
    "limit_high",
    "difference",
    "difference_expanded_uncertainty",
    "least_that_matters",
    "change",
    "reason",
    "simulated",
)


@dataclass(frozen=True, slots=True)
class ReadingPair:
    """One reading of both runs, or of the one that has it."""

    before: Row | None
    after: Row | None
    difference: Difference | None  # None: only one run has it
    several: bool = False  # of one step, quantity and channel: the note tells which

    @property
    def row(self) -> Row:
        row = self.after or self.before
        assert row is not None
        return row

    @property
    def unit(self) -> str:
        return self.row.unit

    @property
    def name(self) -> str:
        """Quantity and channel in words, and which of several it is."""
        note = self.row.note if self.several else ""
        return f"{self.row.name}, {note}" if note else self.row.name

    @property
    def aside(self) -> bool:
        """Nothing is told of it, and no limit asks: it is only counted."""
        limited = any(row is not None and row.has_limit for row in (self.before, self.after))
        return self.word == Change.CANNOT_TELL.value and not limited

    @property
    def word(self) -> str:
        """The change in a word, or ``"only before"``, ``"only after"``."""
        if self.difference is not None:
            return self.difference.change.value
        return "only before" if self.after is None else "only after"

    @property
    def shown(self) -> str:
        """The difference with its U: ``"+209 ± 1.4 mV"``; empty where there is no such number."""
        found = self.difference
        if found is None or found.value is None:
            return ""
        return signed(found.value, self.unit, found.expanded)

    @property
    def verdict_changed(self) -> bool:
        if self.before is None or self.after is None:
            return False
        return self.before.verdict is not self.after.verdict

    @property
    def limit_changed(self) -> bool:
        """The two were held against different limits, so their verdicts do not compare."""
        if self.before is None or self.after is None:
            return False
        one, two = self.before, self.after
        sides = ((one.limit_low, two.limit_low), (one.limit_high, two.limit_high))
        return one.unit == two.unit and not all(map(_same, sides))

    @property
    def better(self) -> bool | None:
        """Whether the verdict became better; None when it is the same, or there is none to tell."""
        if not self.verdict_changed or self.before is None or self.after is None:
            return None
        pair = self.before.verdict, self.after.verdict
        if Verdict.NONE in pair:
            return None
        return _ORDER.index(pair[1]) < _ORDER.index(pair[0])

    @property
    def cured(self) -> bool:
        """It failed, or could not be made for the fault, and now it passes; where the limit is
        another now, it would have failed by that one too."""
        bad = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL, Verdict.NOT_MEASURED)
        if self.before is None or self.after is None:
            return False
        if self.limit_changed and not _beyond(self.before.value, self.after):
            return False
        return self.before.verdict in bad and self.after.verdict is Verdict.PASS

    @property
    def verdict_words(self) -> str:
        """``"fail → pass"``, or the one verdict of both."""
        if self.before is None or self.after is None or not self.verdict_changed:
            return self.row.verdict.value
        names = [row.verdict.value or "no limit" for row in (self.before, self.after)]
        return " → ".join(names)

    @property
    def comment(self) -> str:
        """What the numbers do not say by themselves."""
        found = self.difference
        said = []
        if found is not None:
            if found.slight:
                said.append("too little to matter")
            if found.reason:
                said.append(found.reason)
        if self.limit_changed and self.before is not None and self.after is not None:
            old, new = (row.limit_short or "none" for row in (self.before, self.after))
            said.append(f"the limit was {old} and is {new}")
        return "; ".join(said)


def _beyond(value: float | None, row: Row) -> bool:
    """Whether a value lies beyond the limit that another reading was held against."""
    if value is None:
        return False
    low, high = row.limit_low, row.limit_high
    return (low is not None and value < low) or (high is not None and value > high)


@dataclass(frozen=True, slots=True)
class RunPair:
    """Two runs and all their readings in pairs, in the order of the run after."""

    before: Summary
    after: Summary
    pairs: tuple[ReadingPair, ...]
    share: float
    new_ballasts: bool = False  # were put in between the two runs

    @property
    def simulated(self) -> bool:
        return self.before.simulated or self.after.simulated

    @property
    def compared(self) -> int:
        """Pairs whose difference has an uncertainty."""
        return sum(1 for p in self.pairs if p.difference and p.difference.expanded is not None)

    @property
    def cancelled(self) -> int:
        """How many of them leave out what is wrong in both runs alike."""
        return sum(1 for p in self.pairs if p.difference and p.difference.shared)

    @property
    def by_chance(self) -> float:
        """How many of them, at most, are expected to show as changed when nothing has."""
        return self.compared * CHANCE

    @property
    def counts(self) -> list[tuple[str, int]]:
        words = [*(c.value for c in Change), "only before", "only after"]
        found = [(word, sum(1 for p in self.pairs if p.word == word)) for word in words]
        return [(word, n) for word, n in found if n]

    @property
    def slight(self) -> int:
        """How many of the changed ones changed by less than matters."""
        return sum(1 for p in self.pairs if p.difference and p.difference.slight)

    @property
    def notices(self) -> list[str]:
        """What a reader must know before comparing these two."""
        a, b = self.before, self.after
        said = []
        for word, s in (("before", a), ("after", b)):
            if s.missing:
                lost = "; ".join(s.missing)
                known = "cannot be shown to be whole" if lost == NOT_COUNTED else "is not whole"
                said.append(f"The record of the run {word} {known}: {lost}.")
        if a.serial != b.serial:
            said.append(
                f"These are two units, {a.serial} and {b.serial}:"
                " a difference need not be a change."
            )
        if a.model != b.model:
            said.append(f"The models differ: {a.model} and {b.model}.")
        if a.simulated != b.simulated:
            which = "before" if a.simulated else "after"
            said.append(f"Only the run {which} was simulated: this comparison proves nothing.")
        if (a.sequence, a.revision) != (b.sequence, b.revision):
            one, two = (f"{s.sequence} {s.revision}".strip() for s in (a, b))
            said.append(f"The sequences differ: {one} and {two}.")
        if a.started_utc > b.started_utc:
            said.append("The run named first is the later one: before and after are swapped.")
        return said

    @property
    def told(self) -> list[str]:
        """What the comparison comes to, in sentences: what was cured first, then what got worse."""
        cured = [p for p in self.pairs if p.cured]
        worse = [p for p in self.pairs if p.better is False]
        said = []
        if cured:
            said.append(f"Cured: {_named(cured)}.")
        if worse:
            said.append(f"Worse than before: {_named(worse)}.")
        better = [p for p in self.pairs if p.better and not p.cured]
        if better:
            said.append(f"Better, and not yet proved good: {_named(better)}.")
        open_ = sum(1 for p in self.pairs if p.word == Change.CANNOT_TELL.value)
        if open_:
            said.append(
                f"Of {open_} reading{'' if open_ == 1 else 's'} it cannot be told whether anything"
                " changed."
            )
        return said

    @property
    def rule(self) -> list[str]:
        """How it was decided, for somebody who was not there."""
        share = f"{100.0 * self.share:g} %"
        said = [
            "Changed: the difference is greater than its expanded uncertainty (k = 2; the test of"
            " two results in ISO 13528, E_n). Unchanged: it is not, and a change that would matter"
            " is excluded, the whole interval being within it. Cannot tell: neither.",
            f"What would matter is {share} of what the limit allows: of the distance between two"
            " limits, of a single limit's size, without a limit of the larger value; for levels in"
            " dB and temperatures, 1 dB and 1 K. This is our own rule.",
            _CANCELLED.format(n=self.cancelled, of=self.compared) + _BALLASTS[self.new_ballasts]
            if self.cancelled
            else "The uncertainty of the difference takes the two runs as independent: nothing on"
            " record shows that they were read with the same instruments in one calibration. What"
            " is wrong in both alike cancels, so it is rather too large than too small.",
        ]
        if self.compared:
            said.append(
                f"Chance alone may show a change where there is none: in {self.compared}"
                f" differences, {self.by_chance:.1f} times on average or less."
            )
        return said

    def ordered(self) -> list[ReadingPair]:
        """What a technician looks for first: what was cured, what got worse, changes, what is open,
        what changed too little to matter, what only one run has, what stayed."""
        return sorted(self.pairs, key=_rank)


def compare(
    before: RunData, after: RunData, share: float = SHARE, *, new_ballasts: bool = False
) -> RunPair:
    """Two runs, their readings matched by step, quantity and channel.

    A reading that a run holds several times is matched in order.

    Args:
        share: of what a limit allows, that a change must reach before it matters.
        new_ballasts: ballast resistors of the unit were replaced between the two runs.

    Raises:
        UsageError: both are the same run, or the share is not more than 0 and at most 1.
    """
    from seqrun.record.shared import shared_owners

    if before.run.run_id == after.run.run_id:
        raise UsageError("both are the same run", where=before.run.run_id)
    owners = shared_owners(before, after, new_ballasts=new_ballasts)
    waiting: dict[tuple[str, str, str], list[Judged]] = defaultdict(list)
    tallies = (Counter(map(_key, run.judged)) for run in (before, after))
    many = {key for tally in tallies for key, n in tally.items() if n > 1}
    for judged in before.judged:
        waiting[_key(judged)].append(judged)
    pairs = []
    for judged in after.judged:
        key = _key(judged)
        several = key in many
        old = _partner(judged, waiting[key], several)
        if old is not None:
            change = difference(old, judged, share, owners)
            pairs.append(ReadingPair(Row.of(old), Row.of(judged), change, several))
        else:
            pairs.append(ReadingPair(None, Row.of(judged), None, several))
    left = {id(j) for olds in waiting.values() for j in olds}
    pairs += [
        ReadingPair(Row.of(j), None, None, _key(j) in many) for j in before.judged if id(j) in left
    ]
    return RunPair(summarise(before), summarise(after), tuple(pairs), share, new_ballasts)


def write_csv(pair: RunPair, path: Path) -> Path:
    """Every pair as a row of plain numbers in base units; see :data:`CSV_COLUMNS`.

    Raises:
        FileError: the file cannot be written.
    """
    from seqrun.record.table import encode

    try:
        path.write_bytes(encode([CSV_COLUMNS, *_cells(pair)]))
    except OSError as error:
        raise FileError(f"cannot be written: {error.strerror}", where=str(path)) from None
    return path


def _cells(run: RunPair) -> Iterator[list[str]]:
    from seqrun.record.cells import flag, number, text

    for pair in run.pairs:
        row, found = pair.row, pair.difference
        line = [run.before.run_id, run.after.run_id]
        line += [text(row.step), text(row.channel), text(row.quantity), text(row.unit)]
        for side in (pair.before, pair.after):
            factor = _into(side, row.unit)
            if side is None or factor is None:
                line += ["", "", "", side.verdict.value if side else ""]
                continue
            value = None if side.value is None else side.value * factor
            u = None if side.expanded_uncertainty is None else side.expanded_uncertainty * factor
            line += [number(value), number(u), side.bound.value, side.verdict.value]
        line += [number(row.limit_low), number(row.limit_high)]
        if found is None:
            line += ["", "", ""]
        else:
            line += [number(found.value), number(found.expanded), number(found.matters)]
        yield [*line, pair.word, text(pair.comment), flag(run.simulated)]


def _into(row: Row | None, unit: str) -> float | None:
    """What takes a row's numbers into the unit of the line; None: no such number."""
    if row is None:
        return None
    same = row.unit == unit
    return 1.0 if same else {("", "%"): 100.0, ("%", ""): 0.01}.get((row.unit, unit))


def signed(value: float, unit: str, expanded: float | None) -> str:
    """A difference with its sign, ``"+3.1 ± 0.9 mA"``; what rounds to nothing has none."""
    text = render(value, unit, uncertainty=expanded)
    if not any(digit in "123456789" for digit in text.split("±")[0]):
        return text.removeprefix("-")
    return text if text.startswith("-") else f"+{text}"


def _named(pairs: Sequence[ReadingPair]) -> str:
    """``"DC offset, left (212 mV → 3.1 mV)"``, a few of them, the rest counted."""
    shown = []
    for pair in pairs[:_SPELT]:
        values = [row.shown if row else "-" for row in (pair.before, pair.after)]
        shown.append(f"{pair.name} ({values[0]} → {values[1]})")
    more = f" and {len(pairs) - _SPELT} more" if len(pairs) > _SPELT else ""
    return "; ".join(shown) + more


def _key(judged: Judged) -> tuple[str, str, str]:
    return judged.step, judged.reading.quantity, judged.reading.channel


def _partner(judged: Judged, olds: list[Judged], several: bool) -> Judged | None:
    """The reading of the run before that is of the same thing, taken out of those that wait.

    Where one step made several of one quantity in one channel, the note tells them apart: a line's
    frequency (which may move a little), a control's position.
    """
    for n, old in enumerate(olds):
        if not several or _alike(old.reading.note, judged.reading.note):
            return olds.pop(n)
    return None


def _alike(one: str, other: str) -> bool:
    if one == other:
        return True
    found = [re.fullmatch(r"([0-9.]+) Hz", note) for note in (one, other)]
    if not all(found):
        return False
    return math.isclose(*(float(match[1]) for match in found if match), rel_tol=0.02)


def _same(sides: Sequence[float | None]) -> bool:
    one, two = sides
    if one is None or two is None:
        return one is two
    return math.isclose(one, two, rel_tol=1e-9, abs_tol=1e-15)


def _rank(pair: ReadingPair) -> tuple[int, float]:
    found = pair.difference
    if pair.cured:
        return -1, 0.0
    if pair.verdict_changed and found is not None:
        return (0 if pair.better is False else 1), 0.0
    if found is None:
        return 5, 0.0
    if found.slight:
        return 4, 0.0
    if found.change is Change.CHANGED:
        size = abs(found.value or 0.0) / found.matters if found.matters else math.inf
        return 2, -size
    return (3, 0.0) if found.change is Change.CANNOT_TELL else (6, 0.0)
