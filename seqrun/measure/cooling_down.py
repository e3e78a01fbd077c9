"""A heatsink that cools by itself: what is left of its rise, and for how long it has to be left.

By one time constant, the slowest that is usual where none is known: a real sink has several, and
its convection fades as it cools, so that the end of it takes longer than its beginning.
"""

from __future__ import annotations

import math

#: of a usual heatsink at the most, s (common practice: five to fifteen minutes)
SLOWEST_S = 900.0
#: after so many time constants nothing is left that matters: a quarter of a percent
NOTHING_LEFT = 6.0


def rise_left(rise_k: float, seconds: float, tau_s: float = SLOWEST_S) -> float:
    """Of a rise over the room, K, after so long without power."""
    return rise_k * math.exp(-max(seconds, 0.0) / tau_s)


def seconds_until(rise_k: float, cold_k: float, tau_s: float = SLOWEST_S) -> float:
    """How long it takes until no more than ``cold_k`` is left, s; 0 where it is so already."""
    return tau_s * math.log(rise_k / cold_k) if rise_k > cold_k else 0.0
