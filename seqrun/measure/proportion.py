"""A share counted on few: what it may really be."""

from __future__ import annotations

import math

from seqrun.errors import UsageError

_Z = 1.959963984540054  # two-sided 95 % of the normal distribution


def wilson_interval(successes: int, trials: int, z: float = _Z) -> tuple[float, float]:
    """The 95 % score interval of a share, 0 to 1 (E. B. Wilson, 1927).

    Unlike share ± z·√(p(1 − p)/n) it stays within 0 and 1, and three out of three are not taken
    for certainty. Assumes independent trials with one probability.

    Raises:
        UsageError: fewer trials than one, or successes outside 0 to ``trials``.
    """
    if trials < 1 or not 0 <= successes <= trials:
        raise UsageError(f"{successes} of {trials}", expected="0 to n of n, n at least 1")
    share, square = successes / trials, z * z
    middle = (share + square / (2.0 * trials)) / (1.0 + square / trials)
    half = math.sqrt(share * (1.0 - share) / trials + square / (4.0 * trials * trials))
    half *= z / (1.0 + square / trials)
    return max(middle - half, 0.0), min(middle + half, 1.0)


def exact_interval(successes: int, trials: int, share: float = 0.95) -> tuple[float, float]:
    """The exact interval of a share, 0 to 1 (C. J. Clopper and E. S. Pearson, 1934): it holds the
    true one at least as often as stated, also when none or all were successes.

    Args:
        successes, trials: how many of how many.
        share: how often it is to hold the true share at least.

    Raises:
        UsageError: as :func:`wilson_interval`.
    """
    from scipy.special import betaincinv

    if trials < 1 or not 0 <= successes <= trials:
        raise UsageError(f"{successes} of {trials}", expected="0 to n of n, n at least 1")
    tail = 0.5 * (1.0 - share)
    failures = trials - successes
    low = float(betaincinv(successes, failures + 1, tail)) if successes else 0.0
    high = float(betaincinv(successes + 1, failures, 1.0 - tail)) if failures else 1.0
    return low, high
