"""When a reading has stopped moving: the rule, stated.

Over the trailing window of ``for_s`` seconds a straight line is fitted to the readings (least
squares). The reading has settled when the change along the line over the window, together with its
expanded uncertainty, is within ``within``:

    |slope|·for_s + k·u(slope)·for_s  ≤  within,  k = 2

u(slope) comes from the scatter about the line, widened for few readings (Student's factor for
n − 2 degrees of freedom) and for readings that are not independent of their neighbours (lag-one
correlation r of the residuals: factor √((1+r)/(1−r)), r ≥ 0). Noise alone therefore never counts
as settled until there are enough readings to say so, and never forbids settling once there are.
(Ordinary least squares; the effective-sample-size factor is that of a first-order autoregressive
process, any time-series text.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seqrun.values import COVERAGE_FACTOR, student

Array = NDArray[np.float64]
LEAST_READINGS = 5


@dataclass(frozen=True, slots=True)
class Settling:
    """How far a reading is from having settled. Change and mean are in the reading's unit."""

    settled: bool
    change: float  # along the fitted line over the window
    change_u: float
    mean: float  # of the window
    readings: int
    span_s: float


def settling(
    times_s: Sequence[float], values: Sequence[float], *, within: float, for_s: float
) -> Settling:
    """Apply the rule to the readings so far.

    Args:
        times_s, values: all readings so far, in order of time; only those of the last ``for_s``
            seconds count.
        within: largest change over the window, in the reading's unit.
        for_s: length of the window, s.

    Returns:
        The state; ``settled`` is False while the window is not full (90 % of ``for_s`` and at
        least five readings).
    """
    t = np.asarray(times_s, dtype=np.float64)
    y = np.asarray(values, dtype=np.float64)
    if t.size == 0:
        return Settling(False, math.nan, math.inf, math.nan, 0, 0.0)
    inside = t >= t[-1] - for_s * (1.0 + 1e-9)
    t, y = t[inside], y[inside]
    span = float(t[-1] - t[0])
    mean = float(y.mean())
    if t.size < LEAST_READINGS or span <= 0.0:
        return Settling(False, math.nan, math.inf, mean, int(t.size), span)
    slope, u_slope = _slope(t, y)
    change, change_u = slope * for_s, u_slope * for_s
    full = span >= 0.9 * for_s
    calm = abs(change) + COVERAGE_FACTOR * change_u <= within
    return Settling(full and calm, change, change_u, mean, int(t.size), span)


def moving(times_s: Sequence[float], values: Sequence[float]) -> float:
    """How far a reading that would not settle has moved along all the while, in its own unit.

    Args:
        times_s, values: all readings, in order of time.

    Returns:
        The change along the fitted line from the first to the last of them; 0 when it does not
        plainly move the same way in both halves of the time (each beyond twice its standard
        uncertainty), or either has fewer than five readings. Our own rule: noise moves both
        halves of a still reading the same way once in some hundred times.
    """
    middle = len(times_s) // 2
    if middle < LEAST_READINGS:
        return 0.0
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    ways = []
    for half in (slice(middle), slice(middle, None)):
        slope, u_slope = _slope(t[half], y[half])
        ways.append(math.copysign(1.0, slope) if abs(slope) > COVERAGE_FACTOR * u_slope else 0.0)
    return _slope(t, y)[0] * float(t[-1] - t[0]) if ways[0] == ways[1] != 0.0 else 0.0


def _slope(t: Array, y: Array) -> tuple[float, float]:
    """Slope of the least-squares line and its standard uncertainty."""
    x = t - t.mean()
    z = y - y.mean()
    xx = float(x @ x)
    slope = float(x @ z) / xx
    rest = z - slope * x
    square = float(rest @ rest)
    variance = square / (t.size - 2)
    correlation = float(rest[1:] @ rest[:-1]) / square if square > 0.0 else 0.0
    correlation = min(max(correlation, 0.0), 0.9)
    u = math.sqrt(variance / xx * (1.0 + correlation) / (1.0 - correlation))
    return slope, u * student(t.size - 2.0)
