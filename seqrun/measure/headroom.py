"""Power in short bursts of a tone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.power import power_into_load
from seqrun.measure.timing import envelope
from seqrun.measure.uncertain import scatter_of_mean, variable

Array = NDArray[np.float64]
LEAST_PERIODS = 6


def burst_power(
    volts: Array,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    load: UFloat,
    gain: UFloat | None = None,
    clipped: bool = False,
) -> UFloat:
    """Mean power into the load while a burst of a tone lasts, W.

    Every whole period of the tone in which its envelope stands above 70 % of the highest counts,
    less the first and last of each burst (where it rises and falls). ``scatter of the burst`` is
    the standard error over the periods: noise, and a supply that sags while the burst lasts.

    Args:
        volts: samples across the load, shape (points,), V, with at least one whole burst.
        sample_rate_hz, frequency_hz: samples and periods per second.
        load: Ω.
        gain: vertical gain of mean 1.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: as :func:`seqrun.measure.timing.envelope`; or no burst of eight periods.
    """
    env = envelope(volts, sample_rate_hz, frequency_hz, clipped=clipped)
    on = env.rms > 0.7 * float(env.rms.max())
    inner = on.copy()
    inner[1:] &= on[:-1]
    inner[:-1] &= on[1:]
    inner[[0, -1]] = False
    if int(inner.sum()) < LEAST_PERIODS:
        raise NotMeasured(
            f"{int(on.sum())} periods of the tone in the burst",
            expected=f"at least {LEAST_PERIODS + 2}",
            hint="lengthen the burst, or trigger on it",
        )
    each = round(env.frame_s * sample_rate_hz)
    frames = volts[: on.size * each].reshape(-1, each)[inner]
    # About the mean of all: a burst may carry no offset of its own, the record's is not power.
    ac = frames - float(frames.mean())
    squares = np.einsum("ij,ij->i", ac, ac) / each
    square = float(squares.mean())
    rms = variable(
        math.sqrt(square),
        scatter_of_mean(squares) / (2.0 * math.sqrt(square)),
        "scatter of the burst",
        "t",
        squares.size - 1.0,
    )
    return power_into_load(rms * gain if gain is not None else rms, load)
