"""The tables of studies, as text of 80 columns."""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from seqrun.measure.proportion import exact_interval
from seqrun.quantity import render
from seqrun.study.acceptance import HEALTHY, StudyRow
from seqrun.study.coverage import LEAST_COVERAGE, MOST_WIDTH, Coverage
from seqrun.study.decisions import MOST_FALSE_ACCEPTS, Rates
from seqrun.values import Verdict

COVERAGE_HEAD = (
    f"{'quantity':22s} {'readings':>8s} {'held':>7s} {'width':>6s} {'median U':>10s} "
    f"{'bias/U':>6s} {'bounds':>7s}"
)
COVERAGE_FOOT = (
    f"held: share of value ± U (k = 2) that holds the truth; aim {LEAST_COVERAGE:.0%} or more\n"
    "width: U over the narrowest interval that would have held 95 % of the errors;\n"
    f"       aim {MOST_WIDTH:g} or less (1.02 normal, 1.22 rectangular); - where too few\n"
    "bounds: readings that say 'at most' or 'at least': in held, not in width"
)
DECISION_HEAD = (
    f"{'':23s} {'do not conform':^22s}   {'conform':^22s}\n"
    f"{'quantity, limit':23s} {'accept':>7s} {'cond.':>7s} {'reject':>6s}   "
    f"{'reject':>7s} {'cond.':>7s} {'accept':>6s}"
)
DECISION_FOOT = (
    "do not conform, accept: false accepts, in % of all that do not conform;\n"
    f"guarded acceptance aims at {100 * MOST_FALSE_ACCEPTS:g} % at most\n"
    "conform, reject: false rejects, in % of all that conform; cond.: conditional"
)


ACCEPTANCE_HEAD = (
    f"{'fault':30s} {'runs':>4s} {'acc':>4s} {'hold':>4s} {'rej':>4s} {'abt':>4s} "
    f"{'false acc':>9s} {'false rej':>9s}  first named"
)
ACCEPTANCE_FOOT = (
    "false acc: accepted with a true value outside its limit;  false rej: rejected, and no\n"
    "reading that failed is truly outside;  abt: aborted, by a trip for instance"
)


def acceptance_table(rows: Sequence[StudyRow]) -> Iterator[str]:
    """A line for each fault of each unit, then the rates over all of them."""
    made = [row for row in rows if row.disposition]
    for unit in dict.fromkeys(row.unit for row in rows):
        yield f"{unit}, {made[0].sequence if made else '-'}"
        yield ACCEPTANCE_HEAD
        for fault in dict.fromkeys(row.faults for row in rows):
            these = [row for row in made if (row.unit, row.faults) == (unit, fault)]
            if these:
                yield _acceptance_line(fault, these)
    yield from ACCEPTANCE_FOOT.split("\n")
    healthy = [row for row in made if row.faults == HEALTHY]
    faulty = [row for row in made if row.faults != HEALTHY]
    outside = [row for row in made if row.violated]
    yield _rate("accepted, a true value outside", sum(r.false_accept for r in outside), outside)
    yield _rate("rejected, none outside", sum(r.false_reject for r in made), made)
    yield _rate("healthy and accepted", sum(not r.caught for r in healthy), healthy)
    yield _rate("with a fault and not accepted", sum(r.caught for r in faulty), faulty)
    untold = sorted({name for row in made for name in row.untold.split()})
    if untold:
        yield f"the world tells nothing of: {', '.join(untold)}"
    for reason in dict.fromkeys(f"{r.unit}, {r.faults}: {r.refused}" for r in rows if r.refused):
        yield f"not run: {reason}"


def _acceptance_line(fault: str, rows: Sequence[StudyRow]) -> str:
    count = Counter(row.disposition for row in rows)
    named = Counter(row.cause or "nothing" for row in rows).most_common(2)
    words = ", ".join(f"{name} {n}" for name, n in named)
    return (
        f"{fault:30s} {len(rows):4d} {count['accept']:4d} {count['hold']:4d} "
        f"{count['reject']:4d} {count['aborted']:4d} {sum(r.false_accept for r in rows):9d} "
        f"{sum(r.false_reject for r in rows):9d}  {words}"
    )


def _rate(words: str, count: int, rows: Sequence[StudyRow]) -> str:
    if not rows:
        return f"{words}: no such runs"
    low, high = exact_interval(count, len(rows))
    return (
        f"{words}: {count} of {len(rows)}, {100.0 * count / len(rows):.1f} % "
        f"(exact 95 %: {100.0 * low:.1f} to {100.0 * high:.1f} %)"
    )


def coverage_table(found: Iterable[Coverage]) -> Iterator[str]:
    """Lines; a star marks what lies outside the aims."""
    yield COVERAGE_HEAD
    for one in found:
        yield coverage_line(one)
    yield from COVERAGE_FOOT.split("\n")


BOTH_HEAD = (
    f"{'':22s} {'on clean benches':^26s}  {'on dirty benches':^26s}\n"
    f"{'quantity':22s} {'read':>4s} {'held':>6s} {'width':>5s} {'U':>8s}  "
    f"{'read':>4s} {'held':>6s} {'width':>5s} {'U':>8s}"
)
BOTH_FOOT = (
    f"held: share of value ± U (k = 2) that holds the truth; aim {LEAST_COVERAGE:.0%} or more\n"
    "width: U over the narrowest interval that would have held 95 % of the errors;\n"
    f"       aim {MOST_WIDTH:g} or less on clean benches; on dirty ones the budget allows for\n"
    "       dirtier ones too; - where too few.   U: the median\n"
    "clean: errors within data sheets, and [dirt] of the bench file says that there is\n"
    "       none. dirty: errors of other distributions, and the defaults of [dirt]"
)


def both_table() -> tuple[str, str]:
    """Head and foot of the table of clean benches beside dirty ones."""
    return BOTH_HEAD, BOTH_FOOT


def untold_lines() -> Iterator[str]:
    """The quantities that nobody can tell the truth of, with the reason of each."""
    from seqrun.study.untold import UNTOLD

    yield "without a truth here:"
    for why in dict.fromkeys(UNTOLD.values()):
        names = ", ".join(name for name, reason in UNTOLD.items() if reason == why)
        yield from textwrap.wrap(
            f"{names}: {why}", 80, initial_indent="  ", subsequent_indent="    "
        )


def both_line(clean: Coverage, dirty: Coverage) -> str:
    """One quantity on either kind of bench; a star marks what lies outside the aims."""
    sides = []
    for one, well in ((clean, clean.honest), (dirty, dirty.held_enough)):
        width = "-" if math.isnan(one.width) else f"{one.width:.2f}"
        held = "-" if math.isnan(one.share) else f"{100.0 * one.share:.1f}%"
        u = "-" if math.isnan(one.expanded) else render(one.expanded, one.unit, digits=2)
        star = " " if well else "*"
        sides.append(f"{one.readings + one.bounds:4d} {held:>6s}{star}{width:>5s} {u:>8s}")
    missing = clean.missing + dirty.missing
    return f"{clean.name:22s} {'  '.join(sides)}" + (f"  {missing} not read" if missing else "")


def coverage_line(one: Coverage) -> str:
    """One quantity."""
    width = "-" if math.isnan(one.width) else f"{one.width:.2f}"
    bias = "-" if math.isnan(one.bias) else f"{one.bias:+.2f}"
    held = "-" if math.isnan(one.share) else f"{100.0 * one.share:.1f} %"
    u = "-" if math.isnan(one.expanded) else render(one.expanded, one.unit, digits=3)
    missing = f"  {one.missing} not measured" if one.missing else ""
    star = "" if one.honest else " *"
    return (
        f"{one.name:22s} {one.readings + one.bounds:8d} {held:>7s} {width:>6s} {u:>10s} "
        f"{bias:>6s} {one.bounds:7d}{missing}{star}"
    )


def decision_table(found: Sequence[Rates]) -> Iterator[str]:
    """Lines, a pair of rules for each quantity."""
    yield from DECISION_HEAD.split("\n")
    for one in found:
        yield decision_line(one)
    yield from DECISION_FOOT.split("\n")


def decision_line(one: Rates) -> str:
    """One quantity under one rule, shares in percent."""
    sides = [
        f"{words} {render(side, one.unit)}"
        for words, side in (("≥", one.limit.low), ("≤", one.limit.high))
        if side is not None
    ]
    label = f"{one.name} {' '.join(sides)}"
    bad, good = one.of_others, one.of_conforming
    between = (Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL)
    unsure_bad = sum(one.others[v] for v in between)
    unsure_good = sum(one.conforming[v] for v in between)
    return (
        f"{label:23s} {_of(one.false_accepts, bad):>7s} {_of(unsure_bad, bad):>7s} "
        f"{_of(one.others[Verdict.FAIL], bad):>6s}   {_of(one.false_rejects, good):>7s} "
        f"{_of(unsure_good, good):>7s} {_of(one.conforming[Verdict.PASS], good):>6s}  "
        f"{one.decision}"
    )


def _of(count: int, total: int) -> str:
    return f"{100.0 * count / total:.1f}" if total else "-"
