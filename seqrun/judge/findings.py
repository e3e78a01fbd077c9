"""From the readings of a run to likely causes: a ranked list with odds and reasons.

Bayes' rule in its simplest form. Each sign s weighs for or against a cause c by the logarithm of
its likelihood ratio (I. J. Good's weight of evidence)

    w = ln( P(s | c) / P(s | nothing wrong) )        when it is seen
    w = ln( (1 − P(s | c)) / (1 − P(s | nothing wrong)) )    when it is not

with the frequencies that the findings file declares; a sign that the run does not tell weighs
nothing, and one whose value lies within its U of the threshold the less the closer it lies
(:func:`seqrun.judge.evidence.ratio_of`). The weights of a cause are added, multiplied with
``trust`` (signs of one cause are not independent, and a plain sum would claim more than they show)
and put on its prior weight. One cause at a time is assumed: causes, a fault that nobody has
described and "no fault" share a probability of one. A fault is given only when the likeliest cause
is likelier than none, and named only when it is likelier than the one that nobody has described:
that one shows each sign as often as the causes do on average, so that a pattern which fits none of
them is said to be unknown. Signs that are seen and that the first cause does not explain are named,
with the cause that explains them best: two faults at once show so.

The probabilities are as good as the declared frequencies; the shipped ones are held against the
fault catalogue of the simulated bench (``tests/benchmarks/bench_findings.py``), which also says how
often a stated probability is right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

from seqrun.files.findings.file import Cause, Section, TellApart
from seqrun.files.findings.patterns import Patterns
from seqrun.judge.evidence import Evidence, Run, evidence_of, within
from seqrun.values import Judged, Verdict

#: a sign that shifts the odds of a cause by less than this factor is not worth a line
WORTH_TELLING = 1.5
#: a seen sign that the first cause makes no likelier than this factor is not explained by it
EXPLAINED = 2.0
#: what the unexplained signs must make another cause likelier by, before a second fault is named
SECOND_FAULT = 20.0
#: how common faults that nobody has described are beside all causes together; our own choice
UNDESCRIBED = 0.02
#: a sign that more of the causes than this name is one of faults in general; our own choice
COMMON = 0.5
NOBODY_KNOWS = "something that no cause known here explains"
#: probability up to which a cause is still worth looking at
LEAST_SHOWN = 0.005


@dataclass(frozen=True, slots=True)
class Reason:
    """One sign and what it weighs for a cause: ``ratio`` is its likelihood ratio, over 1 for it."""

    sign: str
    words: str
    ratio: float


@dataclass(frozen=True, slots=True)
class Finding:
    """A likely cause, with its probability among all causes and no fault."""

    id: str
    title: str
    kind: str  # "unit" or "bench"
    section: str
    section_title: str
    probability: float
    next: str
    reasons: tuple[Reason, ...]  # the strongest first, for it and against it
    work: str = ""  # where ``next`` sends somebody: a unit that is "off" or "powered"; "": not told

    @property
    def speaking_for(self) -> tuple[Reason, ...]:
        return tuple(r for r in self.reasons if r.ratio > 1.0)

    @property
    def speaking_against(self) -> tuple[Reason, ...]:
        return tuple(r for r in self.reasons if r.ratio < 1.0)


@dataclass(frozen=True, slots=True)
class SectionState:
    """A part of the unit: measured good, not good, or not told by this run."""

    id: str
    title: str
    state: str  # "good", "suspect" or "not told"
    readings: int  # verdicts that it rests on


@dataclass(frozen=True, slots=True)
class Findings:
    """What the readings of a run point to. ``causes`` holds every cause, the likeliest first."""

    causes: tuple[Finding, ...]
    no_fault: float  # probability that none of them is there
    apart: str  # what to do next to tell the first two apart, or ""
    unexplained: tuple[str, ...]  # signs, in words, that the first cause does not explain
    beside: str  # title of the cause that explains those best, or ""
    sections: tuple[SectionState, ...]
    spoken: bool = True  # whether a sign of any cause was told by the run, seen or not
    unknown: float = 0.0  # probability of a fault that none of the causes explains
    apart_work: str = ""  # of ``apart``, as :attr:`Finding.work`

    @property
    def faulty(self) -> bool:
        """A cause, known or not, is likelier than none at all."""
        first = self.causes[0].probability if self.causes else 0.0
        return max(first, self.unknown) > self.no_fault

    @property
    def unfamiliar(self) -> bool:
        """Something is wrong that no cause here explains better than chance would."""
        first = self.causes[0].probability if self.causes else 0.0
        return self.faulty and self.unknown >= first

    @property
    def named(self) -> str:
        """What is likelier than none, in words; nothing where nothing is."""
        if not self.faulty:
            return ""
        return NOBODY_KNOWS if self.unfamiliar else self.causes[0].title

    @property
    def bench_mistake(self) -> Finding | None:
        """The likeliest cause, when that is a mistake on the bench."""
        named = self.faulty and not self.unfamiliar
        return self.causes[0] if named and self.causes[0].kind == "bench" else None

    @property
    def likely(self) -> tuple[Finding, ...]:
        """The causes worth a look, none when the unit is likelier to have no fault, or one that
        none of them explains."""
        if not self.faulty or self.unfamiliar:
            return ()
        return tuple(c for c in self.causes if c.probability >= LEAST_SHOWN)


def weigh(
    patterns: Patterns, judged: Sequence[Judged], reason: str = "", sequence: str = ""
) -> Findings:
    """The causes of a findings file, ranked by the readings of one run.

    Args:
        judged: every reading of the run, judged, in its order.
        reason: how the run ended, as in ``runs.csv``.
        sequence: its name, as there; some signs are told by some sequences only.
    """
    run = within(judged)
    sections = tuple(section_state(section, run) for section in patterns.sections)
    if not patterns.causes:  # all of them are of other topologies
        return Findings((), 1.0, "", (), "", sections)
    return rank(patterns, evidence_of(patterns, judged, reason, sequence), sections)


def rank(
    patterns: Patterns, evidence: Mapping[str, Evidence], sections: tuple[SectionState, ...]
) -> Findings:
    """The causes ranked by evidence: of one run, or of several taken together
    (:mod:`seqrun.judge.together`)."""
    general = _in_general(patterns, evidence)
    weights = {c.id: _weight(c, evidence, general, patterns.trust) for c in patterns.causes}
    other = _unknown(patterns, evidence, general)
    probabilities, none, unknown = _share(patterns, weights, other)
    titles = {section.id: section.title for section in patterns.sections}
    ranked = sorted(patterns.causes, key=lambda c: -probabilities[c.id])
    unexplained = _unexplained(ranked[0], evidence)
    # A sign that says nothing for any cause says nothing for a second fault either.
    faulty = probabilities[ranked[0].id] > none
    best = _explaining(unexplained, ranked[1:], evidence) if faulty else None
    apart = _apart(patterns, ranked)
    return Findings(
        causes=tuple(
            Finding(
                id=cause.id,
                title=cause.title,
                kind=cause.kind,
                section=cause.section,
                section_title=titles.get(cause.section, ""),
                probability=probabilities[cause.id],
                next=cause.next,
                reasons=_reasons(cause, evidence),
                work=cause.work or "",
            )
            for cause in ranked
        ),
        no_fault=none,
        apart=apart.do if apart is not None else "",
        unexplained=tuple(evidence[sign].words for sign in unexplained) if best else (),
        beside=best.title if best else "",
        sections=sections,
        spoken=any(_ratios(cause, evidence) for cause in patterns.causes),
        unknown=unknown,
    )


def _ratios(cause: Cause, evidence: Mapping[str, Evidence]) -> dict[str, float]:
    return {
        name: evidence[name].ratio(frequency)
        for name, frequency in cause.seen.items()
        if evidence[name].seen is not None
    }


@dataclass(frozen=True, slots=True)
class _InGeneral:
    """What faults in general show of a sign."""

    often: float  # seen with the causes, on average
    common: bool  # most causes name it


def _in_general(patterns: Patterns, evidence: Mapping[str, Evidence]) -> dict[str, _InGeneral]:
    """Every told sign."""
    total = math.fsum(cause.weight for cause in patterns.causes)
    found = {}
    for name, one in evidence.items():
        if one.seen is None:
            continue
        naming = [c for c in patterns.causes if name in c.seen]
        share = math.fsum(c.weight for c in naming) / total
        often = math.fsum(c.weight * c.seen[name] for c in naming) / total
        found[name] = _InGeneral(often + (1.0 - share) * one.sign.otherwise, share > COMMON)
    return found


def _weight(
    cause: Cause, evidence: Mapping[str, Evidence], general: Mapping[str, _InGeneral], trust: float
) -> float:
    """Natural logarithm of the odds of a cause against no fault, by the readings and the prior.

    A sign that faults in general show speaks for a cause only together with one of its own: that
    something fails is no reason to suspect one thing rather than another.
    """
    ratios = _ratios(cause, evidence)
    own = any(
        evidence[name].seen and not general[name].common and ratio > 1.0
        for name, ratio in ratios.items()
    )
    told = math.fsum(
        math.log(ratio if own or not general[name].common else min(ratio, 1.0))
        for name, ratio in ratios.items()
    )
    return math.log(cause.weight) + trust * told


def _unknown(
    patterns: Patterns, evidence: Mapping[str, Evidence], general: Mapping[str, _InGeneral]
) -> float:
    """The same weight for a fault that nobody has described. It shows a sign as often as the causes
    do on average; what is not seen speaks against it only where faults in general show it."""
    told = [
        math.log(evidence[name].ratio(one.often))
        for name, one in general.items()
        if evidence[name].seen or one.common
    ]
    return patterns.trust * math.fsum(told)


def _share(
    patterns: Patterns, weights: Mapping[str, float], unknown: float
) -> tuple[dict[str, float], float, float]:
    """Probabilities of the causes, of no fault, and of a fault that is not among the causes."""
    among = math.fsum(cause.weight for cause in patterns.causes)
    none = math.log(among * patterns.no_fault / (1.0 - patterns.no_fault))
    other = math.log(among * UNDESCRIBED) + unknown
    top = max(none, other, *weights.values())  # so that nothing overflows
    total = math.fsum(math.exp(w - top) for w in (none, other, *weights.values()))
    shares = {name: math.exp(w - top) / total for name, w in weights.items()}
    return shares, math.exp(none - top) / total, math.exp(other - top) / total


def _reasons(cause: Cause, evidence: Mapping[str, Evidence]) -> tuple[Reason, ...]:
    found = [
        Reason(name, evidence[name].words, ratio)
        for name, ratio in _ratios(cause, evidence).items()
        if ratio >= WORTH_TELLING or ratio <= 1.0 / WORTH_TELLING
    ]
    return tuple(sorted(found, key=lambda r: -abs(math.log(r.ratio))))


def _apart(patterns: Patterns, ranked: Sequence[Cause]) -> TellApart | None:
    if len(ranked) < 2:
        return None
    first, second = ranked[0].id, ranked[1].id
    for entry in patterns.apart:
        a, b = entry.causes
        for x, y in ((first, second), (second, first)):
            if fnmatchcase(x, a) and fnmatchcase(y, b):
                return entry
    return None


def _unexplained(first: Cause, evidence: Mapping[str, Evidence]) -> list[str]:
    return [
        name
        for name, one in evidence.items()
        if one.seen and first.seen.get(name, one.sign.otherwise) < EXPLAINED * one.sign.otherwise
    ]


def _explaining(
    signs: Sequence[str], causes: Sequence[Cause], evidence: Mapping[str, Evidence]
) -> Cause | None:
    """The cause that explains the signs best; None when none makes them likelier."""
    best, most = None, math.log(SECOND_FAULT)
    for cause in causes:
        gain = math.fsum(
            math.log(evidence[name].ratio(cause.seen[name])) for name in signs if name in cause.seen
        )
        if gain > most:
            best, most = cause, gain
    return best


def section_state(section: Section, run: Run) -> SectionState:
    """Whether a section measured good: each of its quantities has verdicts, all of them a pass.

    A conditional verdict is not enough to call a section good, nor a reading that is missing.
    """
    state, count = "good", 0
    for entry in section.good:
        quantity, _, heat = entry.partition(" ")
        verdicts = [
            j.verdict
            for j, condition in run
            if fnmatchcase(j.quantity, quantity)
            and (not heat or condition.heat == heat)
            and any(fnmatchcase(j.channel, on) for on in section.on)
            and j.verdict is not Verdict.NONE
        ]
        count += len(verdicts)
        if any(v in (Verdict.FAIL, Verdict.CONDITIONAL_FAIL) for v in verdicts):
            state = "suspect"
        elif state == "good" and (not verdicts or any(v is not Verdict.PASS for v in verdicts)):
            state = "not told"
    return SectionState(section.id, section.title, state, count)
