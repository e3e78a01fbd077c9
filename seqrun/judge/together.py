"""The findings of several runs of one unit, weighed as one.

A sign is one piece of evidence however many runs tell it: the same fault shows it again, and
counting it twice would claim more than was seen. So each sign is resolved in every run, and goes
into the weighing once (:meth:`seqrun.judge.evidence.Evidence.ratio`). A run in which the repair was
done already speaks for the unit as it is: what it tells replaces what runs before the repair told,
and what they told of the cause that was mended is closed with it, and so is whatever else they told
by the same readings.

What a person has said counts as evidence too: an owner's answer is a sign (``ask``), and a cause
that somebody answered with a stated reason keeps :data:`ANSWERED` of its weight.

A *place* (a cause with ``holds``: where cuts of the signal's path have left a disturbance) and what
may sit in it do not compete: what speaks for the place speaks for each of those, too.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from seqrun.files.findings.file import Cause
from seqrun.files.findings.patterns import Patterns
from seqrun.judge.evidence import Evidence, evidence_of, rests_on, within
from seqrun.judge.findings import Findings, SectionState, rank, section_state
from seqrun.values import Judged

#: what is left of the weight of a cause that somebody answered with a reason; our own choice
ANSWERED = 0.05
#: states of a section: the one that tells most of several runs first
_TELLING = ("suspect", "good", "not told")


@dataclass(frozen=True, slots=True)
class Told:
    """One run as evidence: its readings in their order, how it ended, its sequence's name."""

    judged: Sequence[Judged]
    reason: str
    sequence: str


def together(
    patterns: Patterns,
    before: Sequence[Told],
    after: Sequence[Told] = (),
    *,
    worked: bool = False,
    owner: Mapping[str, bool] | None = None,
    answered: Collection[str] = (),
) -> Findings:
    """The causes ranked by all runs.

    Args:
        before: runs before the latest repair, or all when there was none; oldest first.
        after: runs since then.
        worked: a repair lies between them; without a run since, what was found still stands, for
            nothing has shown yet that it is gone.
        owner: sign -> the owner's answer to its question.
        answered: titles of causes that somebody has answered with a reason.
    """
    patterns = _with_places(_less(patterns, answered))
    asked = {
        sign.id: Evidence(sign, owner[sign.id])
        for sign in patterns.signs
        if owner and sign.id in owner
    }
    first = {**_merged(patterns, before), **asked}
    found = rank(patterns, first, _sections(patterns, before))
    if not worked or not after:
        return found
    mended = found.causes[0].id if found.causes and found.faulty and not found.unfamiliar else ""
    seen = next((set(cause.seen) for cause in patterns.causes if cause.id == mended), None)
    closed = set(first) if seen is None else _closed(patterns, before, seen)
    since = _merged(patterns, after)
    kept = {
        name: since[name]
        if since[name].seen is not None
        else Evidence(one.sign, None)
        if name in closed
        else one
        for name, one in first.items()
    }
    return rank(patterns, kept, _sections(patterns, after))


def _closed(patterns: Patterns, before: Sequence[Told], seen: set[str]) -> set[str]:
    """The signs that a repair closes: those of the cause that was mended, and those that were made
    of no other readings than they. That one's readings told of a unit that is no more."""
    runs = [within(run.judged) for run in before]
    made = {
        sign.id: {reading for run in runs for reading in rests_on(patterns, sign, run)}
        for sign in patterns.signs
    }
    told = set[tuple[str, str, str]]().union(*(made[name] for name in seen if name in made))
    return seen | {name for name, readings in made.items() if readings and readings <= told}


def _less(patterns: Patterns, answered: Collection[str]) -> Patterns:
    causes = tuple(
        cause.model_copy(update={"weight": cause.weight * ANSWERED})
        if cause.title in answered
        else cause
        for cause in patterns.causes
    )
    return replace(patterns, causes=causes)


def _with_places(patterns: Patterns) -> Patterns:
    """What speaks for a place speaks for what may sit in it."""
    places = [cause for cause in patterns.causes if cause.holds]

    def within_place(cause: Cause) -> Cause:
        inherited = {
            name: often
            for place in places
            if any(fnmatchcase(cause.id, pattern) for pattern in place.holds)
            for name, often in place.seen.items()
        }
        return cause.model_copy(update={"seen": {**inherited, **cause.seen}})

    return replace(patterns, causes=tuple(map(within_place, patterns.causes)))


def _merged(patterns: Patterns, runs: Sequence[Told]) -> dict[str, Evidence]:
    """Every sign, over all runs that tell it."""
    each = [evidence_of(patterns, run.judged, run.reason, run.sequence) for run in runs]
    if not each:
        return {sign.id: Evidence(sign, None) for sign in patterns.signs}
    return {sign.id: _one([found[sign.id] for found in each]) for sign in patterns.signs}


def _one(found: Sequence[Evidence]) -> Evidence:
    telling = [one for one in found if one.seen is not None]
    if not telling:
        return Evidence(found[0].sign, None)
    share = sum(bool(one.seen) for one in telling) / len(telling)
    alike = [one for one in telling if one.seen is (share >= 0.5)]
    chances = [c for one in telling for c in one.chances or (float(bool(one.seen)),)]
    return replace(alike[-1], chances=tuple(chances))


def _sections(patterns: Patterns, runs: Sequence[Told]) -> tuple[SectionState, ...]:
    """Each section as the runs leave it: suspect when one of them says so, else good when one
    does."""
    found = []
    for section in patterns.sections:
        states = [section_state(section, within(run.judged)) for run in runs]
        best = min(states, key=lambda one: _TELLING.index(one.state), default=None)
        found.append(best or SectionState(section.id, section.title, "not told", 0))
    return tuple(found)
