"""How often something happens that comes at random, from how often it was seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.uncertain import variable
from seqrun.values import COVERAGE_FACTOR, Bound, exactly

#: that a rate does not exceed its bound: as sure as value + U of a normal distribution, one side
ONE_SIDED = 0.5 * (1.0 + math.erf(COVERAGE_FACTOR / math.sqrt(2.0)))
CHANCE = "chance of the count"
#: that events which know nothing of each other come as close together as this: less is a swarm
BY_CHANCE = 0.01
WHOLE = 0.98  # of a watch: a stretch that is longer is all of it


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


def surely_beyond(rate: Bounded, seen: int, high: float | None) -> Bounded:
    """The rate, or "at least" its exact lower bound where that alone tells that it is beyond a
    limit.

    U reaches to the upper bound of a count; the lower one is nearer, so that value - U may lie
    within a limit that the count has surely exceeded.

    Args:
        rate: 1/s, of ``seen`` events. high: the limit, 1/s; None: there is none.
    """
    value = float(rate.value.nominal_value)
    if high is None or seen == 0 or rate.bound is not Bound.EXACT:
        return rate
    least = least_events(seen) * value / seen
    within = value - COVERAGE_FACTOR * float(rate.value.std_dev) <= high
    return Bounded(exactly(least), Bound.AT_LEAST) if within and least > high else rate


@dataclass(frozen=True, slots=True)
class Stretched:
    """A rate that holds for every stretch of a watch.

    ``rate``, 1/s: of the whole watch, or of its worst stretch where the events are a swarm; its
    upper bound is the worst stretch's. ``seen`` events in ``live_s``, ``worst_seen`` of them in
    the ``worst_s`` of that stretch. ``swarm``: so many there are more than chance.
    """

    rate: Bounded
    seen: int
    live_s: float
    worst_seen: int
    worst_s: float
    swarm: bool = False

    @property
    def rate_of(self) -> int:
        """How many events its value is the rate of."""
        return self.worst_seen if self.swarm else self.seen

    @property
    def uneven(self) -> bool:
        """Whether the worst stretch has a bound of its own."""
        return self.seen > 0 and self.worst_s < WHOLE * self.live_s


def rate_in_any_stretch(
    seen: Sequence[int], live_s: Sequence[float], stretch_s: float
) -> Stretched:
    """Rate of events, 1/s, whose value + U no stretch of the watch exceeds.

    What crackles only when hot, or only until it is warm, does so in a part of a long watch; over
    the whole of it that thins out. Each run of records that comes to ``stretch_s`` is bounded
    by itself (:func:`event_rate`), and the worst bound counts. The value is the rate of the whole
    watch, unless the worst stretch has more of its events than chance gives it (binomial, less than
    :data:`BY_CHANCE` over as many stretches as there is room for): then it is that stretch's.

    Args:
        seen: events that began in each record, in order of time. live_s: how long each was
            listened to, s, same shape. stretch_s: the shortest that is bounded by itself, s.

    Raises:
        NotMeasured: it was not listened to.
    """
    total, time = sum(seen), math.fsum(live_s)
    whole = event_rate(total, time)
    if total == 0:
        return Stretched(whole, 0, time, 0, time)
    worst, worst_s = total, time
    events, seconds, first = 0, 0.0, 0
    for count, length in zip(seen, live_s, strict=True):
        events, seconds = events + count, seconds + length
        while seconds - live_s[first] >= stretch_s:
            events, seconds, first = events - seen[first], seconds - live_s[first], first + 1
        within = stretch_s <= seconds and events > 0
        if within and most_events(events) / seconds > most_events(worst) / worst_s:
            worst, worst_s = events, seconds
    most = most_events(worst) / worst_s
    swarm = _swarm(worst, total, worst_s / time)
    rate = worst / worst_s if swarm else total / time
    found = Bounded(variable(rate, (most - rate) / COVERAGE_FACTOR, CHANCE), Bound.EXACT)
    return Stretched(found, total, time, worst, worst_s, swarm)


def _swarm(worst: int, total: int, share: float) -> bool:
    """Whether so many of the events in that share of the time are more than chance."""
    from scipy.special import bdtrc

    return share < 1.0 and float(bdtrc(worst - 1, total, share)) / share < BY_CHANCE
