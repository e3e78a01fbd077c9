"""The arithmetic of a scope: from codes to volts, and which sample rates there are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Vertical:
    """One channel's range, V peak to peak at the probe tip.

    Args:
        step: the attenuator step, to which gain and offset error belong.
        full_scale: what is set, which a vernier may make less than the step.
    """

    step: float
    full_scale: float


@dataclass(frozen=True, slots=True)
class Scaling:
    """A preamble: volts = (code − yreference)·yincrement + yorigin, seconds likewise."""

    xincrement: float
    yincrement: float
    xorigin: float = 0.0
    xreference: float = 0.0
    yorigin: float = 0.0
    yreference: float = 0.0

    def volts(self, codes: NDArray[np.generic]) -> NDArray[np.float64]:
        """Codes, shape (points,), to volts at the probe tip."""
        result: NDArray[np.float64] = np.multiply(codes, self.yincrement, dtype=np.float64)
        result += self.yorigin - self.yreference * self.yincrement
        return result


def converter_step(codes: NDArray[np.generic], widest: int) -> float:
    """Codes per step of the converter that made them: about ``widest``, or less when averaging has
    filled codes in between.

    The codes that occur lie whole steps apart. Some instruments stretch those of their converter,
    so that a step is no power of two (17 and 18 in turn were seen of one of 12 bits); what is much
    wider than ``widest`` are steps that this record does not show. One pass over the codes.
    """
    lowest = int(codes.min())
    seen = np.zeros(int(codes.max()) - lowest + 1, dtype=bool)
    seen[codes.astype(np.int64) - lowest] = True
    apart = np.diff(np.flatnonzero(seen))
    if not apart.size or apart.min() >= 1.5 * widest:
        return float(widest)
    return float(apart[apart < 1.5 * min(apart.min(), widest)].mean())


def snapped(wanted_hz: float, steps: Sequence[float], largest_hz: float) -> float:
    """The available rate nearest to the wanted one in ratio.

    Args:
        steps: of one decade, such as 1, 2, 5; empty when any rate can be set.
    """
    wanted_hz = min(wanted_hz, largest_hz)
    if not steps:
        return wanted_hz
    exponent = math.floor(math.log10(wanted_hz))
    rates = [s * 10.0**e for e in (exponent - 1, exponent, exponent + 1) for s in steps]
    possible = [r for r in rates if r <= largest_hz * (1.0 + 1e-9)]
    return float(min(possible, key=lambda r: abs(math.log(r / wanted_hz))))


def snapped_up(wanted: float, steps: Sequence[float]) -> float:
    """The smallest step of a decade that is at least ``wanted``."""
    exponent = math.floor(math.log10(wanted))
    values = [s * 10.0**e for e in (exponent - 1, exponent, exponent + 1) for s in steps]
    return min(v for v in values if v >= wanted * (1.0 - 1e-9))
