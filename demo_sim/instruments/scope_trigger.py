"""Edge trigger: the first crossing of a level, with the hysteresis that keeps noise out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def first_edge(
    volts: NDArray[np.float64], level: float, rising: bool, hysteresis: float
) -> float | None:
    """Position (in samples, with fraction) where the signal first passes ``level``.

    The signal must have been at least ``hysteresis`` on the other side before. None when there is
    no such edge.
    """
    signal = volts - level if rising else level - volts
    armed = np.flatnonzero(signal < -hysteresis)
    if armed.size == 0:
        return None
    start = int(armed[0])
    passed = np.flatnonzero(signal[start:] >= 0.0)
    if passed.size == 0:
        return None
    after = start + int(passed[0])
    before, now = float(signal[after - 1]), float(signal[after])
    return after - 1 + (0.0 - before) / (now - before)
