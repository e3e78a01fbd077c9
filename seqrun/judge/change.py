"""Whether two readings of one quantity differ: before and after a repair, or along a trend.

Both come with an expanded uncertainty U (k = 2), so their difference d has

    U_d = 2 · √(u₁² + u₂² − 2 Σ r c₁ c₂ u(x)²)

(JCGM 100:2008, 5.2.2, for y₂ − y₁). The sum goes over the errors x that are one and the same in
both runs and last from one to the other: gain and offset of a range of the same instrument, in one
calibration; the tolerance of the same load, sensor or ballast resistor. c is what each reading
changes by per unit of x, with its sign: a gain error weighs with the reading, and mostly cancels
between two alike; where the signs differ it adds up. All else, scatter, resolution, fits, is
another error in each run. So is what cannot be shown to be the same: U_d is then rather too large.

How far such errors stay as they are, no data sheet tells as one number. We assume r = 0.9: between
two runs each moves, by ageing and the room's temperature, by √(2 · 0.1) = 0.45 of its standard
uncertainty, about what separates a specification for a day from one for a year. This is our own
rule. Where it would make U_d smaller, the signs being opposite, r = 1.

changed
    the interval d ± U_d does not hold zero, |d| > U_d. It is the test that ISO 13528:2022, 9.7,
    makes of two results with stated uncertainties (|E_n| > 1).
unchanged
    zero is possible, and so large a change that it would matter is not: |d| + U_d ≤ δ, the whole
    interval lies within ± δ. That an interval must lie within what is tolerable before two things
    are called equal is the two one-sided tests of equivalence (Schuirmann 1987), here at 2.5 %.
cannot tell
    neither: the bench is too coarse, or a reading is missing or only a bound.

A change is so said of the quantity while it was measured; what caused it (the repair, another room
temperature, a unit that wanders) is for people to say.

What would matter, δ, is our own rule: a fifth of what the limit allows (of a power, 1 dB). With two
limits, of the distance between them; with one, of the limit's own size; without any limit, of the
larger of the two values. A scale with an arbitrary zero (dB, °C) has a fixed one: 1 dB, 1 K.

A bound ("at most x") stands for every value that it allows, of a magnitude from zero up. Only what
holds for all of them is said: bounds that exclude one another are a change. A number without any
uncertainty (a setting, a count) is unchanged when it is the same in every digit; otherwise nothing
can be told.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

from seqrun.errors import UsageError
from seqrun.quantity import render
from seqrun.values import COVERAGE_FACTOR, Bound, Judged, Limit, Reading

#: share of what a limit allows that a change must reach before it matters
SHARE = 0.2
#: units whose zero is a convention, and the change that matters there
_FIXED = {"dB": 1.0, "°C": 1.0}
#: correlation of an error that lasts with itself, from one run to the next
KEPT = 0.9
_ALIKE = 1e-6  # standard uncertainties of one error, as two records tell it
#: probability that an interval at k = 2 leaves out the true value (normal)
CHANCE = math.erfc(COVERAGE_FACTOR / math.sqrt(2.0))


class Change(StrEnum):
    """What can be said of a difference."""

    CHANGED = "changed"
    UNCHANGED = "unchanged"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Difference:
    """After minus before, in the unit of the reading after. None: there is no such number."""

    change: Change
    value: float | None
    expanded: float | None  # U of the difference, k = 2
    matters: float | None  # the least change that matters, δ
    reason: str = ""  # why it cannot be told
    shared: bool = False  # errors that both readings have in common were taken as such

    @property
    def slight(self) -> bool:
        """A change that is certain, and as certainly too small to matter."""
        return (
            self.change is Change.CHANGED
            and self.value is not None
            and self.matters is not None
            and abs(self.value) + (self.expanded or 0.0) <= self.matters
        )


def classify(low: float, high: float, expanded: float, matters: float) -> Change:
    """The rule above for a difference that lies anywhere from ``low`` to ``high``, each ± U.

    Args:
        low, high: equal for a difference of two values; infinite for one without end.
        expanded: U of the difference.
        matters: δ, not negative.
    """
    if low > expanded or high < -expanded:
        return Change.CHANGED
    if max(-low, high) + expanded <= matters:
        return Change.UNCHANGED
    return Change.CANNOT_TELL


def least_that_matters(
    limit: Limit | None, unit: str, values: Sequence[float], share: float = SHARE
) -> float:
    """δ, in ``unit``.

    Args:
        limit: what the reading is held against, in ``unit``.
        values: the two readings, for one without a limit.
        share: of what the limit allows, more than 0 and at most 1.

    Raises:
        UsageError: ``share`` is not more than 0 and at most 1.
    """
    if not 0.0 < share <= 1.0:
        raise UsageError(
            f"{100.0 * share:g} % as the share that matters", expected="more than 0, at most 100 %"
        )
    low, high = (limit.low, limit.high) if limit else (None, None)
    if low is not None and high is not None and high > low:
        return share * (high - low)
    if unit in _FIXED:
        return _FIXED[unit]
    sides = [abs(side) for side in (low, high) if side]
    return share * (sides[0] if sides else max((abs(v) for v in values), default=0.0))


def difference(
    before: Judged, after: Judged, share: float = SHARE, owners: Collection[str] = ()
) -> Difference:
    """What can be said about two readings of the same quantity, of two runs.

    The limit of the reading after says what would matter; where it has none, that of the one
    before.

    Args:
        owners: whose lasting errors (:class:`~seqrun.values.Source`) are the same in both runs.

    Raises:
        UsageError: ``share`` is not more than 0 and at most 1.
    """
    first, second = before.reading, after.reading
    factor = unit_factor(first.unit, second.unit)
    if factor is None:
        units = " and ".join(unit or "no unit" for unit in (first.unit, second.unit))
        return _unknown(f"the units are {units}")
    for reading, when in ((first, "before"), (second, "after")):
        if reading.value is None or not math.isfinite(reading.value):
            told = f": {reading.note}" if reading.note else ""
            return _unknown(f"not measured {when}{told}")
    y1, y2 = float(first.value or 0.0) * factor, float(second.value or 0.0)
    limit = after.limit or _scaled(before.limit, factor)
    matters = least_that_matters(limit, second.unit, (y1, y2), share)
    if y1 == y2 and not first.budget and not second.budget and first.bound is second.bound:
        return Difference(Change.UNCHANGED, 0.0, None, matters)
    silent = [w for r, w in ((first, "before"), (second, "after")) if not r.budget]
    if silent and _apart(first, second, y1, y2, factor):
        return Difference(Change.CHANGED, None, None, matters)
    if silent:
        why = f"no uncertainty is stated {' and '.join(silent)}"
        return Difference(Change.CANNOT_TELL, y2 - y1, None, matters, why)
    common = _common(first, second, factor, owners)
    both = math.hypot(first.standard_uncertainty * factor, second.standard_uncertainty)
    square = both * both - 2.0 * math.fsum(common)
    expanded = COVERAGE_FACTOR * math.sqrt(max(square, 0.0)) if square == square else math.nan
    if not math.isfinite(expanded):
        why = "an uncertainty is not a finite number"
        return Difference(Change.CANNOT_TELL, y2 - y1, None, matters, why)
    (low1, high1), (low2, high2) = _range(first, y1), _range(second, y2)
    change = classify(low2 - high1, high2 - low1, expanded, matters)
    bounded = first.bound is not Bound.EXACT or second.bound is not Bound.EXACT
    reason = ""
    if change is Change.CANNOT_TELL:
        shown = render(matters, second.unit, digits=2)
        reason = f"a change of {shown} is neither seen nor excluded"
    value = None if bounded else y2 - y1
    return Difference(change, value, expanded, matters, reason, bool(common))


def _apart(first: Reading, second: Reading, y1: float, y2: float, factor: float) -> bool:
    """Whether bounds that state no uncertainty of their own (a count's exact limits) exclude that
    both are the same: "at least 15 Hz" and "at most 0.05 Hz"."""
    for reading in (first, second):
        if not reading.budget and reading.bound is Bound.EXACT:
            return False
    (low1, high1), (low2, high2) = _range(first, y1), _range(second, y2)
    u = math.hypot(first.standard_uncertainty * factor, second.standard_uncertainty)
    return low2 - high1 > COVERAGE_FACTOR * u or low1 - high2 > COVERAGE_FACTOR * u


def _common(first: Reading, second: Reading, factor: float, owners: Collection[str]) -> list[float]:
    """r c₁ c₂ u(x)² of each error that both readings have in common."""
    found = []
    earlier = {c.source: c for c in first.budget if c.sensitivity and c.source.owner in owners}
    for two in second.budget:
        one = earlier.get(two.source)
        if one is None or not one.sensitivity or not two.sensitivity:
            continue
        u1, u2 = (c.standard_uncertainty / abs(c.sensitivity or 1.0) for c in (one, two))
        if not math.isclose(u1, u2, rel_tol=_ALIKE):
            continue  # another accuracy table, or another tolerance: not shown to be the same
        product = factor * one.sensitivity * two.sensitivity
        found.append((KEPT if product > 0.0 else 1.0) * product * u1 * u2)
    return found


def _unknown(reason: str) -> Difference:
    return Difference(Change.CANNOT_TELL, None, None, None, reason)


def unit_factor(before: str, after: str) -> float | None:
    """The factor from one unit to the other; None when they measure two different things."""
    return 1.0 if before == after else {("", "%"): 100.0, ("%", ""): 0.01}.get((before, after))


def _scaled(limit: Limit | None, factor: float) -> Limit | None:
    if limit is None:
        return None
    return Limit(*(None if x is None else x * factor for x in (limit.low, limit.high)))


def _range(reading: Reading, value: float) -> tuple[float, float]:
    """Every value that a reading allows, its U aside."""
    if reading.bound is Bound.AT_MOST:
        # what is buried in a floor is a magnitude (noise, distortion): not less than nothing
        magnitude = value >= 0.0 and reading.unit not in _FIXED
        return (0.0 if magnitude else -math.inf), value
    if reading.bound is Bound.AT_LEAST:
        return value, math.inf
    return value, value
