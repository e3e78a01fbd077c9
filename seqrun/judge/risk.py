"""The arithmetic of deciding under uncertainty: probabilities and ratios, normal model.

Used by the judge for the record and by the plan, before power is applied, to say what a bench can
decide. All numbers are in the reading's own unit; probabilities are 0 to 1.
"""

from __future__ import annotations

import math

from seqrun.values import COVERAGE_FACTOR, Limit


def conformance_probability(value: float, standard_uncertainty: float, limit: Limit) -> float:
    """Probability that the quantity keeps to its limit, given one reading of it.

    Normal model without prior knowledge (JCGM 106:2012, 7.2 to 7.4): for an upper limit H,
    Φ((H − y)/u). For a bound ("at most x") this is the probability at the bound itself. With u = 0
    it is 0 or 1.
    """
    outside = 0.0
    if limit.low is not None:
        outside += _beyond(limit.low - value, standard_uncertainty)
    if limit.high is not None:
        outside += _beyond(value - limit.high, standard_uncertainty)
    return max(1.0 - outside, 0.0)


def _beyond(distance: float, u: float) -> float:
    """Probability of lying beyond a limit, for a value ``distance`` beyond it."""
    if u == 0.0:
        return 1.0 if distance > 0.0 else 0.0
    return 0.5 * math.erfc(-distance / u / math.sqrt(2.0))


def pass_probability(
    true_value: float, expanded_uncertainty: float, limit: Limit, decision: str = "guarded"
) -> float:
    """Probability that a unit whose true value is ``true_value`` is given a pass.

    The reading scatters normally about the true value with u = U/2; a pass needs it inside the
    acceptance limits (JCGM 106:2012, 8.3.2; guard band w = U, or 0 for "simple"). Zero when the
    guard bands leave nothing in between. For a true value outside the limit this is the specific
    risk of a false accept; inside, one minus it is that of a false reject.
    """
    guard = expanded_uncertainty if decision == "guarded" else 0.0
    low = None if limit.low is None else limit.low + guard
    high = None if limit.high is None else limit.high - guard
    u = expanded_uncertainty / COVERAGE_FACTOR
    return conformance_probability(true_value, u, Limit(low, high))


def worst_false_accept(
    expanded_uncertainty: float, limit: Limit, decision: str = "guarded"
) -> float:
    """The largest risk of passing a unit that does not keep to its limit.

    The worst such unit lies just beyond the limit: one in two under simple acceptance, 2.3 % (less
    than the 2.5 % of ILAC-G8:09/2019) with guard band U and k = 2.
    """
    sides = [side for side in (limit.low, limit.high) if side is not None]
    if expanded_uncertainty == 0.0:
        return 0.0
    return max(
        (pass_probability(side, expanded_uncertainty, limit, decision) for side in sides),
        default=0.0,
    )


def tur(limit: Limit, expanded_uncertainty: float, expected: float = 0.0) -> float:
    """Test uncertainty ratio.

    With two limits: the span of the limit over twice U, U being the expanded uncertainty at about
    95 % (ANSI/NCSL Z540.3:2006, 3.11). For a single limit the standard gives no definition; common
    practice takes the distance from the expected value to the limit, over U. ``expected`` is that
    value; zero suits a quantity whose ideal is zero (noise, distortion, offset). Where U is only
    known at the limit itself (``expected`` is the limit) there is no such distance: the size of
    the limit stands in for it.

    Returns:
        infinity when U is zero, NaN when there is no limit.
    """
    if limit.low is not None and limit.high is not None:
        room = (limit.high - limit.low) / 2.0
    elif limit.high is not None:
        room = abs(limit.high - expected) or abs(limit.high)
    elif limit.low is not None:
        room = abs(limit.low - expected) or abs(limit.low)
    else:
        return math.nan
    return math.inf if expanded_uncertainty == 0.0 else room / expanded_uncertainty


def cannot_decide(
    limit: Limit,
    expanded_uncertainty: float,
    decision: str = "guarded",
    floor: float | None = None,
) -> str:
    """Why no unit, however good, could be given a pass; "" when one could.

    Args:
        limit: in the reading's own unit.
        expanded_uncertainty: U that the bench is expected to reach.
        decision: "guarded" or "simple".
        floor: least value that the bench can tell from nothing; below it, it can only say "at
            most ``floor``". None: no floor.
    """
    guard = expanded_uncertainty if decision == "guarded" else 0.0
    if not math.isfinite(expanded_uncertainty):
        return "the uncertainty to be expected is not a finite number"
    if limit.low is not None and limit.high is not None:
        span = limit.high - limit.low
        if span < 2.0 * guard:
            return f"the limits are {span:g} apart, and guard bands of U = {guard:g} leave nothing"
    if floor is not None and limit.high is not None and floor > limit.high - guard:
        less = f" less U = {guard:g}" if guard else ""
        return f"the bench's own floor of {floor:g} is above the limit of {limit.high:g}{less}"
    return ""
