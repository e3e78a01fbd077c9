"""Repair or salvage: what each choice is expected to come to, with its spread.

Repair, if the cause is c, spends (finding + mending) hours at the hourly rate and the parts. With
the probability that such a repair holds the unit is then worth what a working one is; otherwise
what is left is what can be sold of it in any case. A mistake on the bench, or no fault, costs the
hours to find that out. The causes are looked for in the order of their likelihood, and each that is
ruled out on the way costs the hours to find once more: with the n-th, finding takes n times as long
(f in the formula); for a fault that nobody has described, one time more than there are causes.
Where something failed or was complained of, "no fault" is no outcome to hope for: it is a fault
that has not been found yet, and counts as that. And what stands behind the likeliest cause never
counts as better than that one: repair must not look better the less is known. Salvage sells what
can be sold in any case, and the sections that measured good and have a price, less the hours to
strip them. Every cause counts with its probability, so

    E(repair) = Σ P(c) · [ s · E(V) + (1 − s) · E(W) − E(r) · (E(f) + E(h)) − E(parts) ]

exactly (all amounts independent of each other); the spread and the probability that one choice
comes out ahead are read off a fixed set of draws, in which both choices see the same rate, the
same prices and the same hours. One cause at a time is assumed: two faults cost more.

It is a suggestion with its numbers. What a unit is worth to its owner stands in no sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.files.costs import ANY, Amount, CostSheet, Repair
from seqrun.judge.findings import Finding, Findings, SectionState

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

_DRAWS = 20_000
_SEED = 20_000  # the same sheet and findings always give the same numbers
INSIDE = (10.0, 90.0)  # percentiles of the spread
#: causes that are less likely than this are not looked at one by one; our own choice
LOOKED_AT = 0.01
#: a mistake on the bench, or no fault at all: nothing to mend and no parts
_NOTHING_TO_MEND = Repair.model_validate({"hours": 0.0, "success": 1.0})


@dataclass(frozen=True, slots=True)
class Prospect:
    """What one choice comes to, in the sheet's currency: expected value, standard uncertainty and
    the limits between which eight outcomes in ten lie."""

    name: str  # "repair" or "salvage"
    mean: float
    u: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class KeptSection:
    """A section worth keeping: it measured good. ``value`` is None when the sheet gives none."""

    title: str
    value: float | None


@dataclass(frozen=True, slots=True)
class Advice:
    """Repair against salvage. ``repair_ahead`` is the probability that repair comes out ahead."""

    currency: str
    repair: Prospect
    salvage: Prospect
    difference: float  # repair less salvage, expected
    repair_ahead: float
    break_even_hours: float | None  # of all work, finding included; None: never ahead
    planned_hours: float  # expected, of all work
    kept: tuple[KeptSection, ...]
    suspect: tuple[str, ...]  # sections that a likely cause sits in, or that failed
    untold: tuple[str, ...]  # sections that this run did not measure whole
    left_out: tuple[str, ...]  # causes that the sheet has no repair for

    @property
    def better(self) -> str:
        return "repair" if self.difference >= 0.0 else "salvage"


@dataclass(frozen=True, slots=True)
class _Branch:
    """One thing that may be the matter, with its share of the probability."""

    probability: float
    repair: Repair
    looks: int = 1  # causes that are looked at until it is found, itself among them
    hoped: float = 0.0  # what it would be better by than the likeliest cause: not counted


def advise(findings: Findings, sheet: CostSheet, *, faulty: bool = False) -> Advice:
    """Repair against salvage, by findings and a cost sheet.

    Args:
        faulty: something failed, or was complained of: "no fault" is no outcome to hope for.

    Raises:
        UsageError: the sheet has no repair for any of the causes.
    """
    branches, left_out = _branches(findings, sheet, faulty)
    kept, suspect, untold = _sections(findings, sheet)
    good = [amount for section in kept if (amount := sheet.kept(section.id)) is not None]
    whole = sheet.value_as_parts.mean + sheet.value_of_case.mean
    rate = sheet.hourly_rate.mean
    value = parts = hours = 0.0
    for branch in branches:
        p, repair = branch.probability, branch.repair
        value += p * (_worth(repair, sheet) - branch.hoped)
        parts += p * repair.parts.mean
        hours += p * (branch.looks * sheet.hours_to_find.mean + repair.hours.mean)
    mended = value - parts - rate * hours
    sold = whole + sum(a.mean for a in good) - rate * sheet.hours_to_strip.mean
    drawn_repair, drawn_salvage = _draws(branches, good, sheet)
    room = value - parts - sold
    return Advice(
        currency=sheet.currency,
        repair=_choice("repair", mended, drawn_repair),
        salvage=_choice("salvage", sold, drawn_salvage),
        difference=mended - sold,
        repair_ahead=float((drawn_repair > drawn_salvage).mean()),
        break_even_hours=room / rate if rate > 0.0 and room > 0.0 else None,
        planned_hours=hours,
        kept=tuple(KeptSection(s.title, a.mean if (a := sheet.kept(s.id)) else None) for s in kept),
        suspect=suspect,
        untold=untold,
        left_out=left_out,
    )


def _worth(repair: Repair, sheet: CostSheet) -> float:
    """What the unit is worth after a repair, expected; work and parts not taken off."""
    whole = sheet.value_as_parts.mean + sheet.value_of_case.mean
    return repair.success * sheet.value_working.mean + (1.0 - repair.success) * whole


def _branches(
    findings: Findings, sheet: CostSheet, faulty: bool
) -> tuple[list[_Branch], tuple[str, ...]]:
    """Causes with a repair, no fault beside them, probabilities summing to one."""
    found: list[tuple[float, Repair]] = []
    left_out: list[Finding] = []
    named = False
    for cause in findings.causes:
        repair = _NOTHING_TO_MEND if cause.kind == "bench" else sheet.repair_of(cause.id)
        if repair is None:
            left_out.append(cause)
        else:
            named = named or cause.kind != "bench"
            found.append((cause.probability, repair))
    found.sort(key=lambda pair: -pair[0])
    behind = len([p for p, _ in found if p >= LOOKED_AT]) + 1
    unknown = sheet.repair.get(ANY) or max(
        (r for _, r in found), key=lambda r: r.hours.mean, default=_NOTHING_TO_MEND
    )
    ends = [(findings.unknown + (findings.no_fault if faulty else 0.0), unknown, behind)]
    ends += [] if faulty else [(findings.no_fault, _NOTHING_TO_MEND, 1)]
    total = sum(p for p, _ in found) + sum(p for p, _, _ in ends)
    if not named or total <= 0.0:
        raise UsageError(
            "the cost sheet has no repair for any of the causes",
            expected="a table [repair.any] or one by a cause's id",
            where=str(sheet.path),
        )
    worth_telling = tuple(c.title for c in left_out if c.probability >= 0.01)
    ranked = [(p, repair, min(n, behind)) for n, (p, repair) in enumerate(found, 1)]

    def net(repair: Repair) -> float:
        work = sheet.hourly_rate.mean * repair.hours.mean
        return _worth(repair, sheet) - repair.parts.mean - work

    best = net(found[0][1]) if faulty else float("inf")
    branches = [
        _Branch(p / total, repair, looks, max(0.0, net(repair) - best))
        for p, repair, looks in (*ranked, *ends)
        if p > 0.0
    ]
    return branches, worth_telling


def _sections(
    findings: Findings, sheet: CostSheet
) -> tuple[list[SectionState], tuple[str, ...], tuple[str, ...]]:
    accused = {c.section for c in findings.likely if c.probability >= 0.1 and c.section}
    kept = [s for s in findings.sections if s.state == "good" and s.id not in accused]
    suspect = [s.title for s in findings.sections if s.state == "suspect" or s.id in accused]
    untold = [s.title for s in findings.sections if s.state == "not told" and s.id not in accused]
    return kept, tuple(suspect), tuple(untold)


def _choice(name: str, mean: float, drawn: npt.NDArray[np.float64]) -> Prospect:
    import numpy as np

    low, high = (float(x) for x in np.percentile(drawn, INSIDE))
    return Prospect(name, mean, float(drawn.std()), low, high)


def _draws(
    branches: Sequence[_Branch], good: Sequence[Amount], sheet: CostSheet
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Outcomes of both choices in the same worlds."""
    import numpy as np

    rng = np.random.default_rng(_SEED)

    def draw(amount: Amount) -> npt.NDArray[np.float64]:
        if amount.high <= amount.low:
            return np.full(_DRAWS, amount.low)
        if amount.likely is None:
            return rng.uniform(amount.low, amount.high, _DRAWS)
        return rng.triangular(amount.low, amount.likely, amount.high, _DRAWS)

    rate = draw(sheet.hourly_rate)
    whole = draw(sheet.value_as_parts) + draw(sheet.value_of_case)
    find = draw(sheet.hours_to_find)
    working = draw(sheet.value_working)
    sections = sum((draw(amount) for amount in good), start=np.zeros(_DRAWS))
    salvage = whole + sections - rate * draw(sheet.hours_to_strip)
    which = rng.choice(len(branches), _DRAWS, p=[b.probability for b in branches])
    repair = np.empty(_DRAWS)
    for number, branch in enumerate(branches):
        here = which == number
        holds = rng.random(_DRAWS) < branch.repair.success
        spent = rate * (branch.looks * find + draw(branch.repair.hours))
        spent = spent + draw(branch.repair.parts) + branch.hoped
        repair[here] = (np.where(holds, working, whole) - spent)[here]
    return repair, salvage
