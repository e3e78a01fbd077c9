"""One reading of two runs, side by side: what changed, and whether for the better."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from seqrun.judge.change import Change, Difference
from seqrun.judge.verdict import WORSE_LAST
from seqrun.quantity import render
from seqrun.report.shared.rows import Row
from seqrun.values import SKIPPED, Verdict

_FAILING = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)


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
        """Whether the verdict became better; None when it is the same, or there is none to tell,
        as when it was only held against a narrower limit."""
        if not self.verdict_changed or self.before is None or self.after is None:
            return None
        pair = self.before.verdict, self.after.verdict
        if Verdict.NONE in pair:
            return None
        better = WORSE_LAST.index(pair[1]) < WORSE_LAST.index(pair[0])
        if not better and self.limit_changed and _beyond(self.before.value, self.after):
            return None
        return better

    @property
    def cured(self) -> bool:
        """It failed, or could not be made for the fault, and now it passes; where the limit is
        another now, it would have failed by that one too."""
        if self.before is None or self.after is None or self.after.verdict is not Verdict.PASS:
            return False
        if self.before.verdict is Verdict.NOT_MEASURED:  # under no limit was it good
            return not self.before.note.startswith(SKIPPED)
        if self.limit_changed and not _beyond(self.before.value, self.after):
            return False
        return self.failed

    @property
    def failed(self) -> bool:
        """It failed in the run before."""
        return self.before is not None and self.before.verdict in _FAILING

    @property
    def fails(self) -> bool:
        """It fails in the run after."""
        return self.after is not None and self.after.verdict in _FAILING

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


#: in any base unit: the arithmetic's own rounding
NOTHING = 1e-12


def signed(value: float, unit: str, expanded: float | None) -> str:
    """A difference with its sign, ``"+3.1 ± 0.9 mA"``; what rounds to nothing has none."""
    text = render(value if abs(value) > NOTHING else 0.0, unit, uncertainty=expanded)
    if not any(digit in "123456789" for digit in text.split("±")[0]):
        return text.removeprefix("-")
    return text if text.startswith("-") else f"+{text}"


def _same(sides: Sequence[float | None]) -> bool:
    one, two = sides
    if one is None or two is None:
        return one is two
    return math.isclose(one, two, rel_tol=1e-9, abs_tol=1e-15)


def rank(pair: ReadingPair) -> tuple[int, float]:
    """Where it stands among what a technician looks for: the smallest first."""
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
