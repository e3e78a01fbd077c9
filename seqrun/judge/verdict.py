"""The verdict on one reading: ILAC-G8:09/2019, 4.2, with guard band w = U, or w = 0 for "simple".

For an upper limit L and a value y with expanded uncertainty U:

==========================  =================
y ≤ L − U                   pass
L − U < y ≤ L               conditional pass
L < y ≤ L + U               conditional fail
L + U < y                   fail
==========================  =================

A lower limit is the mirror image; with two limits the worse of the two verdicts counts. With
``simple`` the guard band is zero, so only pass and fail remain.

A *bound* says less than a value. "At most x" (buried in the instrument's own floor) tells that the
quantity does not exceed x, where x itself is only known within U. So, under an upper limit, it can
earn a pass or a conditional pass by the table above, but x > L decides nothing: the unit may well
be fine and the bench too poor. Against a lower limit it can only speak against the unit: if even x
lies below, that is a (conditional) fail; otherwise it decides nothing. "At least x" is the mirror
image. What cannot be decided is *not measured* against that limit: never a pass, never a fail.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from seqrun.errors import UsageError
from seqrun.judge.risk import conformance_probability
from seqrun.quantity import render
from seqrun.values import COVERAGE_FACTOR, SCPI_INFINITY, Bound, Judged, Limit, Reading, Verdict

Decision = Literal["guarded", "simple"]
GUARDED: Decision = "guarded"
SIMPLE: Decision = "simple"

#: verdicts from best to worst: to be held back is worse than to be let go
WORSE_LAST = (
    Verdict.PASS,
    Verdict.CONDITIONAL_PASS,
    Verdict.NOT_MEASURED,
    Verdict.CONDITIONAL_FAIL,
    Verdict.FAIL,
)


@dataclass(frozen=True, slots=True)
class Apart:
    """Standard uncertainty of reading less limit, for a limit that is itself measured.

    In the reading's unit, for each side; what both have in common has dropped out of it.
    """

    low: float = 0.0
    high: float = 0.0


def decide(
    reading: Reading,
    limit: Limit | None,
    decision: str,
    step: str,
    apart: Apart | None = None,
) -> Judged:
    """Hold a reading against its limit.

    A reading that was not made, or whose value or uncertainty is not a finite number, is *not
    measured* whether or not it has a limit; so is one whose limit is not a finite number or
    contradicts itself (low above high). The note of the reading in the result then says why, and a
    value that is no number is taken out. A reading without a budget is judged with U = 0, and the
    note says so when it decides a limit; under "guarded" it is a conditional pass at best, unless
    it is a bound, which claims no more than it may.

    What is judged is how far the reading lies from its limit. Where the limit leans on earlier
    readings it has an uncertainty of its own: guard band and conformance probability then follow
    the uncertainty of the difference, and the note says so.

    Args:
        reading: value and budget, in the reading's own unit.
        limit: in the same unit; None when the reading is only for the record.
        decision: "guarded" (w = U) or "simple" (w = 0).
        step: id of the step, for the record.
        apart: uncertainty of reading less limit; None: the limit is exact, and it is the reading's.

    Raises:
        UsageError: ``decision`` is neither of the two.
    """
    if decision not in (GUARDED, SIMPLE):
        raise UsageError(
            f"'{decision}' is not a decision rule",
            expected=f"'{GUARDED}' or '{SIMPLE}'",
            where=step,
        )
    value, expanded = reading.value, reading.expanded_uncertainty
    if value is None:
        if not reading.note:
            reading = replace(reading, note="not measured; no reason was given")
        return Judged(reading, step, limit, decision, Verdict.NOT_MEASURED, None)
    exact = apart is None
    if apart is None:
        apart = Apart(reading.standard_uncertainty, reading.standard_uncertainty)
    objection = _objection(value, expanded + apart.low + apart.high, limit)
    if objection:
        return _undecided(_finite(reading, value), limit, decision, step, objection)
    if limit is None:
        return Judged(reading, step, None, decision, Verdict.NONE, None)
    if not exact:
        reading = _noted(reading, _of_difference(reading.unit, limit, apart))
    k = COVERAGE_FACTOR if decision == GUARDED else 0.0
    guards = Apart(k * apart.low, k * apart.high)
    verdict = _verdict(value, guards, limit, reading.bound)
    if verdict is Verdict.NOT_MEASURED:
        return _undecided(reading, limit, decision, step, _too_weak(reading, value, limit))
    if not reading.budget and decision == GUARDED:
        told = ": judged with U = 0" if exact else ""
        reading = _noted(reading, f"no uncertainty stated{told}")
        if verdict is Verdict.PASS and reading.bound is Bound.EXACT:
            verdict = Verdict.CONDITIONAL_PASS  # there is no guard band without an uncertainty
    probability = _probability(value, apart, limit)
    return Judged(reading, step, limit, decision, verdict, probability)


def _probability(value: float, apart: Apart, limit: Limit) -> float:
    """Conformance probability, each side with its own uncertainty."""
    low = conformance_probability(value, apart.low, Limit(low=limit.low))
    high = conformance_probability(value, apart.high, Limit(high=limit.high))
    return max(low + high - 1.0, 0.0)


def _of_difference(unit: str, limit: Limit, apart: Apart) -> str:
    sides = ((limit.low, apart.low), (limit.high, apart.high))
    shown = [render(COVERAGE_FACTOR * u, unit, digits=2) for side, u in sides if side is not None]
    told = " and ".join(dict.fromkeys(shown))
    return f"the limit leans on earlier readings: U of reading less limit is {told}"


def _objection(value: float, expanded: float, limit: Limit | None) -> str:
    """Why this cannot be judged at all, or ""."""
    if math.isnan(value):
        return "the value is not a number"
    if math.isinf(value) or abs(value) >= SCPI_INFINITY:
        return "the value is an overload, not a number"
    if not math.isfinite(expanded):
        return "the uncertainty is not a finite number"
    if limit is None:
        return ""
    sides = [side for side in (limit.low, limit.high) if side is not None]
    if not sides:
        return "the limit has neither a low nor a high side"
    if not all(math.isfinite(side) for side in sides):
        return "the limit is not a finite number"
    if sides != sorted(sides):
        return f"the limits contradict each other: low {sides[0]:g} is above high {sides[1]:g}"
    return ""


def _verdict(value: float, guards: Apart, limit: Limit, bound: Bound) -> Verdict:
    verdicts: list[Verdict] = []
    if limit.high is not None:
        verdicts.append(_upper(value, guards.high, limit.high, bound))
    if limit.low is not None:
        # the mirror image: what is at most x becomes at least −x
        verdicts.append(_upper(-value, guards.low, -limit.low, _MIRRORED[bound]))
    return max(verdicts, key=WORSE_LAST.index)


_MIRRORED = {
    Bound.EXACT: Bound.EXACT,
    Bound.AT_MOST: Bound.AT_LEAST,
    Bound.AT_LEAST: Bound.AT_MOST,
}


def _upper(value: float, guard: float, high: float, bound: Bound) -> Verdict:
    """The verdict under an upper limit alone."""
    if value <= high - guard:
        verdict = Verdict.PASS
    elif value <= high:
        verdict = Verdict.CONDITIONAL_PASS
    elif value <= high + guard:
        verdict = Verdict.CONDITIONAL_FAIL
    else:
        verdict = Verdict.FAIL
    passing = verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS)
    if bound is Bound.AT_MOST and not passing:
        return Verdict.NOT_MEASURED
    if bound is Bound.AT_LEAST and passing:
        return Verdict.NOT_MEASURED
    return verdict


def _undecided(reading: Reading, limit: Limit | None, decision: str, step: str, why: str) -> Judged:
    noted = _noted(reading, why)
    return Judged(noted, step, limit, decision, Verdict.NOT_MEASURED, None)


def _noted(reading: Reading, text: str) -> Reading:
    return replace(reading, note=f"{reading.note}; {text}" if reading.note else text)


def _finite(reading: Reading, value: float) -> Reading:
    """The reading without a value that is no number: it must not reach a table or a plot."""
    if math.isfinite(value) and abs(value) < SCPI_INFINITY:
        if math.isfinite(reading.expanded_uncertainty):
            return reading
        return replace(reading, budget=())
    return replace(reading, value=None, budget=())


def _too_weak(reading: Reading, value: float, limit: Limit) -> str:
    words = "at most" if reading.bound is Bound.AT_MOST else "at least"
    sides = []
    if limit.low is not None:
        sides.append(f"at least {render(limit.low, reading.unit)}")
    if limit.high is not None:
        sides.append(f"at most {render(limit.high, reading.unit)}")
    shown = render(value, reading.unit, digits=3)
    return f"'{words} {shown}' cannot decide a limit of {' and '.join(sides)}"
