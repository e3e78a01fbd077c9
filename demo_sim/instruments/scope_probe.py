"""A passive ×10 probe: its divider, and the capacitors that take over from it in the treble."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from demo_sim.instruments.scope_coupling import followed

Floats = NDArray[np.float64]
Offered = Callable[[Floats], Floats]

#: 9 MΩ over some 9 pF: resistors below, capacitors above
CROSSING_HZ = 2000.0
#: time constants of signal before the record, so that nothing starts within it
BEFORE = 12.0


def through_probe(offered: Offered, ratio: float, treble: float) -> Offered:
    """What a probe makes of what its tip is offered.

    Args:
        ratio, treble: fractions by which the divider, and above the crossing its capacitors as
            well, give too much.
    """

    def seen(t: Floats) -> Floats:
        if not treble or t.size < 2:
            return offered(t) * (1.0 + ratio)
        step = float(t[1] - t[0])
        count = max(1, math.ceil(BEFORE / (2.0 * math.pi * CROSSING_HZ) / step))
        before = t[0] - step * np.arange(count, 0, -1)
        volts = offered(np.concatenate([before, t]))
        return (1.0 + ratio) * (volts + treble * _above(volts, step))[count:]

    return seen


def _above(volts: Floats, step_s: float) -> Floats:
    """First-order high-pass at the crossing, at rest on the first sample."""
    below = followed(volts, float(volts[0]), 2.0 * math.pi * CROSSING_HZ * step_s)
    return np.asarray(volts - below)
