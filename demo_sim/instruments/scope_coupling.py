"""AC coupling: a capacitor before the scope's attenuator, which makes a first-order high-pass.

About 10 Hz with the tip straight on the input (1 MΩ); a ×10 probe puts ten times the resistance
in series with the same capacitor and lowers it to 1 Hz (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CORNER_HZ = 10.0  # at ×1
# The capacitor's charge at the first sample comes from what was there before, for this many time
# constants and at this rate.
PAST_TAUS, PAST_RATE_HZ = 5.0, 40_960.0
STEPS_PER_RADIAN = 32.0  # steps of the filter in one time constant, at least
MOST_STEPS = 4_000_000
MOST_GROWTH = 20.0  # exponent of e: digits lost in a sum of growing terms are few


def corner_hz(probe: float) -> float:
    """−3 dB of AC coupling behind a probe of that attenuation."""
    return CORNER_HZ / max(1.0, probe)


class Capacitor:
    """What one channel's capacitor held when it was looked at last.

    Looks follow close upon each other (for an edge, closer, for the record); each begins where an
    earlier one left off, and only the first has to work out the past.
    """

    def __init__(self, corner: float) -> None:
        self.corner = corner
        self.tau_s = 1.0 / (2.0 * math.pi * corner)
        self._held: list[tuple[float, float]] = []  # (bench time, V), of the last look

    def charge(self, voltage: Callable[[Floats], Floats], at_s: float) -> float:
        """V on it at a bench time."""
        span_s = PAST_TAUS * self.tau_s
        known = [held for held in self._held if at_s - span_s < held[0] <= at_s]
        since, volts = max(known, default=(at_s - span_s, math.nan))
        if known:
            span_s = at_s - since
        count = math.ceil(span_s * PAST_RATE_HZ)
        if count:
            steps = np.arange(count, dtype=np.float64)
            past = voltage(since + steps * (span_s / count))
            start = volts if known else float(past.mean())
            weights, kept = _fading(count, span_s / count / self.tau_s)
            # Not a matrix product: its threads would cost more than they bring.
            volts = float(np.einsum("i,i", weights, past)) + kept * start
        return volts

    def note(self, *held: tuple[float, float]) -> None:
        """(bench time, V) of a look."""
        self._held = list(held)


def without_dc(voltage: Callable[[Floats], Floats], t: Floats, capacitor: Capacitor) -> Floats:
    """V behind the capacitor at uniformly spaced times ``t``; ``voltage`` is what is before it."""
    if t.size < 2:
        return voltage(t) - capacitor.charge(voltage, float(t[0]))
    spacing = float(t[-1] - t[0]) / (t.size - 1)
    tau = capacitor.tau_s
    finer = min(math.ceil(STEPS_PER_RADIAN * spacing / tau), MOST_STEPS // t.size)
    finer = max(1, finer)
    if spacing / finer > tau:  # too slow to follow, too long to work out: all of it is DC
        volts = voltage(t)
        return np.asarray(volts - volts.mean())
    steps = t if finer == 1 else t[0] + np.arange(finer * (t.size - 1) + 1) * (spacing / finer)
    volts = voltage(steps)
    start = capacitor.charge(voltage, float(t[0]))
    charge = followed(volts, start, spacing / finer / tau)
    capacitor.note((float(t[0]), start), (float(t[-1]), float(charge[-1])))
    return (volts - charge)[::finer]


@lru_cache(maxsize=4)
def _fading(count: int, per_step: float) -> tuple[Floats, float]:
    """What is left of each of ``count`` steps at the end of the last one, and of what was before.

    The last value of ``followed``, as a weighted sum.
    """
    weights = -math.expm1(-per_step) * np.exp(-per_step * np.arange(count - 1, -1, -1))
    return weights, math.exp(-per_step * count)


def followed(volts: Floats, start: float, per_step: float) -> Floats:
    """V on the capacitor as it follows: a first-order lag that begins at ``start``.

    after[n] = kept · after[n−1] + (1 − kept) · volts[n−1]: one step late, so that a jump of the
    input passes the capacitor whole and then leaks away. Solved stretch by stretch as sums of
    growing terms, which a stretch is short enough to hold: no filter library is worth its import.
    """
    count = volts.size - 1
    stretch = max(1, min(int(MOST_GROWTH / per_step), math.isqrt(volts.size) + 1))
    rows = -(-count // stretch)
    part = np.zeros((rows, stretch))
    part.reshape(-1)[:count] = volts[:-1]
    decay = np.exp(-per_step * np.arange(1, stretch + 1))
    part *= 1.0 / decay
    np.cumsum(part, axis=1, out=part)
    part *= (1.0 - math.exp(-per_step)) * decay
    left = [start]
    for gained in part[:, -1].tolist():
        left.append(left[-1] * float(decay[-1]) + gained)
    part += np.outer(left[:-1], decay)
    after = np.empty(volts.size)
    after[0] = start
    after[1:] = part.reshape(-1)[:count]
    return after
