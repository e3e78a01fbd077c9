"""Two runs side by side, reading by reading: what changed, what did not, what cannot be told."""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.judge.change import CHANCE, KEPT, SHARE, Change, difference
from seqrun.judge.condition import Condition, conditions
from seqrun.record.seal import NOT_COUNTED
from seqrun.report.compare.reading import ReadingPair, rank
from seqrun.report.shared.rows import Row
from seqrun.report.shared.summary import Summary, summarise
from seqrun.values import Verdict

if TYPE_CHECKING:
    from seqrun.record import RunData
    from seqrun.values import Judged

_SPELT = 6  # readings named in one sentence
_CANCELLED = (
    "Common errors cancelled: in {n} of {of} differences, what both runs read wrong alike (a range"
    " of the same instrument in one calibration; the same load, sensor or ballast resistor) counts"
    f" as correlated by {KEPT:g} (JCGM 100, 5.2), which is our own rule. "
)
_BALLASTS = {
    False: "A ballast resistor that was replaced in between does not cancel: --new-ballasts.",
    True: "Ballast resistors were replaced in between; their tolerance does not cancel.",
}


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
        better = [p for p in self.pairs if p.better and not p.cured]
        same = [p for p in self.pairs if p.fails and p.before is not None and p.better is None]
        new = [p for p in self.pairs if p.before is None and p.fails]
        gone = [p for p in self.pairs if p.after is None and p.failed]
        since = [p for p in map(self._since, gone) if p is not None]
        unread = [p for p in gone if self._since(p) is None]
        found = {
            "Cured": cured,
            "Worse than before": worse,
            "Fails now, and was not read in this way before": new,
            "Fails as before": [p for p in same if p.failed],
            "Fails by a limit that has changed since": [p for p in same if not p.failed],
            "Failed before, and passes now under another condition": since,
            "Failed before, and was not read in this way since": unread,
            "Better, and not yet proved good": better,
        }
        said = [f"{words}: {_named(pairs)}." for words, pairs in found.items() if pairs]
        open_ = sum(1 for p in self.pairs if p.word == Change.CANNOT_TELL.value)
        if open_:
            said.append(
                f"Of {open_} reading{'' if open_ == 1 else 's'} it cannot be told whether anything"
                " changed."
            )
        return said

    def _since(self, pair: ReadingPair) -> ReadingPair | None:
        """A reading of the run before, with the one of the same quantity in the same channel that
        the run after made under another condition; None where there is none, or it is no pass."""
        old = pair.row
        new = [p.row for p in self.pairs if p.after is not None and _kind(p.row) == _kind(old)]
        new = [row for row in new if row.verdict is not Verdict.NONE]
        if not new or any(row.verdict is not Verdict.PASS for row in new):
            return None
        return ReadingPair(old, new[-1], None)

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
        return sorted(self.pairs, key=rank)


def compare(
    before: RunData, after: RunData, share: float = SHARE, *, new_ballasts: bool = False
) -> RunPair:
    """Two runs, their readings matched by step, quantity and channel.

    A reading that a run holds several times is matched in order. What finds no partner so, as when
    two sequences name their steps differently, is matched by quantity, channel and condition.

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
    partners = [_partner(j, waiting[_key(j)], _key(j) in many) for j in after.judged]
    partners = _elsewhere(before.judged, after.judged, partners)
    for judged, old in zip(after.judged, partners, strict=True):
        several = _key(judged) in many
        if old is not None:
            change = difference(old, judged, share, owners)
            pairs.append(ReadingPair(Row.of(old), Row.of(judged), change, several))
        else:
            pairs.append(ReadingPair(None, Row.of(judged), None, several))
    taken = {id(old) for old in partners}
    pairs += [
        ReadingPair(Row.of(j), None, None, _key(j) in many)
        for j in before.judged
        if id(j) not in taken
    ]
    return RunPair(summarise(before), summarise(after), tuple(pairs), share, new_ballasts)


def _named(pairs: Sequence[ReadingPair]) -> str:
    """``"DC offset, left (212 mV → 3.1 mV)"``, a few of them, the rest counted."""
    shown = []
    for pair in pairs[:_SPELT]:
        values = [row.shown for row in (pair.before, pair.after) if row is not None]
        shown.append(f"{pair.name} ({' → '.join(values)})")
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


def _elsewhere(
    before: Sequence[Judged], after: Sequence[Judged], partners: Sequence[Judged | None]
) -> list[Judged | None]:
    """The partners, with those that the same quantity under the same condition gives.

    Only what was judged, and what is the one reading of its kind in either run: of several, no
    name of a step tells which belongs to which.
    """
    taken = {id(old) for old in partners}
    free: dict[tuple[str, str, str], list[tuple[Judged, Condition]]] = defaultdict(list)
    for old, condition in zip(before, conditions(before), strict=True):
        if id(old) not in taken and old.limit is not None:
            free[_kind(old)].append((old, condition))
    wanting = Counter(
        (_kind(new), condition.text)
        for new, old, condition in zip(after, partners, conditions(after), strict=True)
        if old is None and new.limit is not None
    )
    found: list[Judged | None] = []
    for new, partner, condition in zip(after, partners, conditions(after), strict=True):
        alike: list[Judged] = []
        if partner is None and new.limit is not None and wanting[_kind(new), condition.text] == 1:
            alike = [one for one, its in free[_kind(new)] if its.alike(condition)]
        found.append(alike[0] if len(alike) == 1 else partner)
    return found


def _kind(judged: Judged) -> tuple[str, str, str]:
    return judged.reading.quantity, judged.reading.channel, judged.reading.unit


def _alike(one: str, other: str) -> bool:
    if one == other:
        return True
    found = [re.fullmatch(r"([0-9.]+) Hz", note) for note in (one, other)]
    if not all(found):
        return False
    return math.isclose(*(float(match[1]) for match in found if match), rel_tol=0.02)
