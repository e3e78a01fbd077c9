"""Whether an output moves the way its input does."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.values import normal, rectangular

Array = NDArray[np.float64]
#: a burst is taken for one when the record looks like it by this much, either way up
ALIKE = 0.6


def burst_polarity(volts: Array, sample_rate_hz: float, frequency_hz: float) -> UFloat:
    """Correlation of a record with one cycle of a sine that begins upwards.

    The record is compared with the cycle at every delay, and the delay of the best likeness, either
    way up, is the unit's own. One cycle overlaps its own mirror image, half a cycle away, with half
    of its energy at most, so that no delay makes an inverted burst look upright.

    Args:
        volts: one record that holds at least one whole burst, shape (points,), V.
        sample_rate_hz: samples per second, at least ten to a cycle.
        frequency_hz: of the cycle.

    Returns:
        +1: the output moves as the input does; −1: the other way round. What is missing to 1 is
        noise and the unit's own bandwidth.

    Raises:
        NotMeasured: nothing in the record looks like the burst.
    """
    points = round(sample_rate_hz / frequency_hz)
    if points < 10 or volts.size < 2 * points:
        raise NotMeasured(
            f"{points} samples to a cycle, {volts.size} in all", expected="ten to a cycle or more"
        )
    cycle = np.sin(2.0 * np.pi * np.arange(points) / points)
    values = volts - np.median(volts)
    likeness = np.correlate(values, cycle, mode="valid")
    best = int(np.abs(likeness).argmax())
    piece = values[best : best + points]
    length = math.sqrt(float(piece @ piece) * float(cycle @ cycle))
    found = float(likeness[best]) / length if length > 0.0 else 0.0
    if abs(found) < ALIKE:
        raise NotMeasured(
            f"nothing that looks like the burst (correlation {found:.2f})",
            expected="one cycle of a sine, upright or inverted",
        )
    return likeness_of(found, points)


def likeness_of(found: float, pairs: float) -> UFloat:
    """A correlation as a reading of polarity, which is +1 or −1.

    Contributions: its own chance (Fisher: the standard deviation of a correlation ρ of n pairs is
    (1 − ρ²)/√n), and what it lacks to ±1, which is noise and bandwidth and no third polarity.

    Args:
        found: the correlation, −1 to 1.
        pairs: of how many independent pairs of samples it was made.
    """
    u = max(1.0 - found * found, 1e-4) / math.sqrt(pairs)
    lacks = max(1.0 - abs(found), 0.0)
    return normal(found, u, "chance of the likeness") + rectangular(
        0.0, lacks, "what of the output is not like the input"
    )
