"""Hunting a crackle: bursts over a long watch, and whether something that was done changed their
rate.

A watch is made of records. Frames of a few milliseconds are louder than the quiet ones by a stated
factor while a burst lasts; neighbours are one burst. Counts are compared as Poisson counts in known
times, which is exact for rare events that know nothing of each other; where they come in swarms the
dispersion found in the times of rest takes that back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.uncertain import variable
from seqrun.values import COVERAGE_FACTOR, Bound, exactly

Array = NDArray[np.float64]
FRAME_S = 0.005
LOUDER = 4.0  # times the quiet rms: beyond what steady noise does in any watch
QUIET_SHARE = 0.05  # of the frames: the quietest of a long watch know no burst
CONFIDENCE = 0.95


def frame_rms(volts: Array, sample_rate_hz: float, frame_s: float = FRAME_S) -> Array:
    """The rms of each frame of a record about its own mean, V, shape (frames,).

    Args:
        volts: samples, shape (points,), V.

    Raises:
        NotMeasured: not one frame in the record.
    """
    each = max(round(frame_s * sample_rate_hz), 8)
    count = volts.size // each
    if count == 0:
        raise NotMeasured("a record shorter than one frame", expected=f"at least {frame_s:g} s")
    frames = volts[: count * each].reshape(count, each)
    return np.asarray(frames.std(axis=1))


def quiet_rms(frames: Array) -> float:
    """Quiet level of a watch: what the quietest twentieth of all its frames does not exceed, V."""
    return float(np.quantile(frames, QUIET_SHARE))


def burst_starts(frames: Array, threshold_v: float, frame_s: float = FRAME_S) -> Array:
    """When bursts begin in a record, s from its start: frames above the threshold after one that
    is not. A burst that is under way at the start counts there.
    """
    loud = frames > threshold_v
    begins = loud & ~np.concatenate([[False], loud[:-1]])
    return np.asarray(np.flatnonzero(begins) * frame_s)


def dispersion(counts: Sequence[int], seconds: Sequence[float]) -> float:
    """How much more counts in stretches of time scatter than Poisson counts do: Pearson's χ² over
    its degrees of freedom, at least 1. 1 when there is too little to say.

    Args:
        counts, seconds: of each stretch, under one and the same condition.
    """
    total, time = sum(counts), sum(seconds)
    if len(counts) < 5 or total < 5 or not time > 0.0:
        return 1.0
    expected = np.array(seconds) * total / time
    chi = float(((np.array(counts) - expected) ** 2 / expected).sum())
    return max(chi / (len(counts) - 1), 1.0)


@dataclass(frozen=True, slots=True)
class RateChange:
    """One rate against another.

    ``ratio`` with ``low`` and ``high`` (95 %, Clopper and Pearson, exact for Poisson counts);
    ``ratio`` is NaN when there are no bursts at all, infinite when there are none at rest.
    ``probability`` is the chance, on either side, of a difference as large between equal rates.
    """

    bursts: int
    seconds: float
    rest_bursts: int
    rest_seconds: float
    ratio: float
    low: float
    high: float
    probability: float

    @property
    def bounded(self) -> Bounded | None:
        """The ratio with its interval as ± 2 u; at least ``low`` where it has no upper end; None
        when there are no bursts at all."""
        if math.isnan(self.ratio):
            return None
        if math.isinf(self.ratio) or math.isinf(self.high):
            return Bounded(exactly(self.low), Bound.AT_LEAST)
        u = (self.high - self.low) / (2.0 * COVERAGE_FACTOR)
        return Bounded(variable(self.ratio, u, "chance of the counts"))


def rate_change(
    bursts: int,
    seconds: float,
    rest_bursts: int,
    rest_seconds: float,
    *,
    dispersion: float = 1.0,
) -> RateChange:
    """Compare the rate of bursts in one time with that in another.

    Given their sum n, the count in the first time is binomial with the share of that time when both
    rates are equal (Przyborowski and Wilenski, Biometrika 31 (1940) 313; from memory). Swarms make
    counts of ``dispersion`` times the variance; n and the count then weigh as much less.

    Args:
        bursts, rest_bursts: counts. seconds, rest_seconds: time watched, > 0.

    Raises:
        NotMeasured: one of the times is nothing.
    """
    from scipy.special import betainc, betaincinv

    if not (seconds > 0.0 and rest_seconds > 0.0):
        raise NotMeasured(
            "nothing to compare with", expected="time watched with and without what was done"
        )
    k, n = bursts / dispersion, (bursts + rest_bursts) / dispersion
    share = seconds / (seconds + rest_seconds)
    over = rest_seconds / seconds
    if n == 0.0:
        return RateChange(bursts, seconds, rest_bursts, rest_seconds, math.nan, 0.0, math.inf, 1.0)
    upper = float(betainc(k, n - k + 1.0, share)) if k > 0.0 else 1.0
    lower = 1.0 - float(betainc(k + 1.0, n - k, share)) if k < n else 1.0
    tail = (1.0 - CONFIDENCE) / 2.0
    least = float(betaincinv(k, n - k + 1.0, tail)) if k > 0.0 else 0.0
    most = float(betaincinv(k + 1.0, n - k, 1.0 - tail)) if k < n else 1.0
    rest_rate = rest_bursts / rest_seconds
    return RateChange(
        bursts,
        seconds,
        rest_bursts,
        rest_seconds,
        bursts / seconds / rest_rate if rest_bursts else math.inf,
        least / (1.0 - least) * over,
        most / (1.0 - most) * over if most < 1.0 else math.inf,
        min(2.0 * min(upper, lower), 1.0),
    )


def level_change(levels: Sequence[float], rest: Sequence[float]) -> tuple[float, float]:
    """How much louder records are than those at rest, where bursts run into one another and can
    no longer be counted.

    Args:
        levels, rest: the rms of each record, V.

    Returns:
        Ratio of their rms over all records, and the chance on either side of a difference as large
        between records of one kind (Mann and Whitney, Ann. Math. Stat. 18 (1947) 50).

    Raises:
        NotMeasured: fewer than three records of either kind.
    """
    from scipy.stats import mannwhitneyu

    if min(len(levels), len(rest)) < 3:
        raise NotMeasured("too few records", expected="at least three under each condition")
    one, other = np.asarray(levels), np.asarray(rest)
    chance = float(mannwhitneyu(one, other, alternative="two-sided").pvalue)
    return math.sqrt(float(np.mean(one**2) / np.mean(other**2))), chance


def together(probabilities: Sequence[float]) -> list[float]:
    """Each probability raised for having tried them all (Holm, Scand. J. Stat. 6 (1979) 65): that
    one of them is below a bound by chance is then no more likely than that bound."""
    order = sorted(range(len(probabilities)), key=lambda i: probabilities[i])
    raised = [0.0] * len(probabilities)
    highest = 0.0
    for rank, i in enumerate(order):
        highest = max(highest, min((len(order) - rank) * probabilities[i], 1.0))
        raised[i] = highest
    return raised
