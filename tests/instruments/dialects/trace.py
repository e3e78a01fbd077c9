"""The signals on the probes of the dialects' scopes, known to whoever checks a transfer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def volts(channel: int, seconds: Array) -> Array:
    """What channel n sees: 1 kHz on a step of DC, different on each channel; (points,)."""
    tone = np.sin(2.0 * np.pi * 1000.0 * seconds)
    wave: Array = (1.5 / channel) * tone + 0.25 * channel
    return wave


def codes(wave: Array, volts_per_code: float, zero: float, low: int, high: int) -> Array:
    """The converter's codes, rounded and limited; (points,). ``zero``: the code of 0 V."""
    limited: Array = np.clip(np.rint(wave / volts_per_code + zero), low, high)
    return limited
