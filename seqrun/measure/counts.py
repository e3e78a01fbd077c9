"""How often something happens that comes at random, from how often it was seen."""

from __future__ import annotations

import math
from functools import lru_cache

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.uncertain import variable
from seqrun.values import COVERAGE_FACTOR, Bound, exactly

#: that a rate does not exceed its bound: as sure as value + U of a normal distribution, one side
ONE_SIDED = 0.5 * (1.0 + math.erf(COVERAGE_FACTOR / math.sqrt(2.0)))
CHANCE = "chance of the count"


@lru_cache(maxsize=512)
def most_events(seen: int) -> float:
    """The largest mean of a Poisson count that ``seen`` or fewer leave possible at 97.7 %.

    Exact: half a quantile of chi-square with 2 (seen + 1) degrees of freedom (F. Garwood,
    Biometrika 28 (1936) 437). None seen: 3.78.
    """
    if seen == 0:
        return -math.log(1.0 - ONE_SIDED)
    from scipy.special import gammaincinv

    return float(gammaincinv(seen + 1, ONE_SIDED))


def least_events(seen: int) -> float:
    """The smallest mean of a Poisson count that ``seen`` or more leave possible at 97.7 %: half a
    quantile of chi-square with 2 seen degrees of freedom (Garwood, as above); 0 when none was seen.
    """
    if seen == 0:
        return 0.0
    from scipy.special import gammaincinv

    return float(gammaincinv(seen, 1.0 - ONE_SIDED))


def event_rate(seen: int, live_s: float) -> Bounded:
    """Rate of random events, 1/s, so that value + U is the exact upper bound of the rate.

    A unit whose true rate is at a limit then passes the guarded rule 2.3 times in a hundred at
    most, however few events there are.

    Args:
        seen: events that began while it was listened to. live_s: how long that was, s.

    Raises:
        NotMeasured: it was not listened to.
    """
    if not live_s > 0.0:
        raise NotMeasured("no time was listened to", expected="some")
    most = most_events(seen) / live_s
    if seen == 0:
        return Bounded(exactly(most), Bound.AT_MOST)
    rate = seen / live_s
    return Bounded(variable(rate, (most - rate) / COVERAGE_FACTOR, CHANCE), Bound.EXACT)
