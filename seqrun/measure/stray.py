"""What a driven output carries far above the audio band: oscillation, steady or gated."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import NotMeasured
from seqrun.measure.sinefit import check_record

Array = NDArray[np.float64]
FRAME_S = 20e-6  # of a look: shorter than the tip of any audible tone; a period at the least
LEAST_FRAME = 16  # samples


@dataclass(frozen=True, slots=True)
class Stray:
    """The loudest frame of a record above a frequency. ``rms_v`` over ``frame_s``, V; ``samples``
    in the frame; ``usual_v`` the rms of the middle frame; ``at_v`` what the output stood at."""

    rms_v: float
    samples: int
    usual_v: float
    at_v: float
    frame_s: float


def stray(
    volts: Array,
    sample_rate_hz: float,
    *,
    above_hz: float = 200e3,
    clipped: bool = False,
) -> Stray:
    """The loudest short frame of a driven output, the drive and its harmonics taken out.

    Twice the difference from the mean over one period of ``above_hz`` leaves what lies above it
    and of a tone far below only the fourth power of the ratio: of 25 V at 1 kHz, 5 µs, nothing
    that a converter sees. Unlike a spectrum it keeps the moment, so that an oscillation on the
    tips of the signal alone counts at its full size (from five times ``above_hz`` on; at two and a
    half times it counts with three quarters).

    Args:
        volts: one record of the output, shape (points,), V.
        sample_rate_hz: samples per second; four times ``above_hz`` or more.
        above_hz: what counts as stray.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped, too slow a record, or too short a one.
    """
    check_record(volts, sample_rate_hz, None, clipped)
    width = round(sample_rate_hz / above_hz)
    if width < 4:
        raise NotMeasured(
            f"{sample_rate_hz:g} samples per second",
            expected=f"at least {4.0 * above_hz:g} to see what is above {above_hz:g} Hz",
        )
    rest = _less_mean(_less_mean(volts, width), width)
    each = max(round(FRAME_S * sample_rate_hz), LEAST_FRAME, width)
    count = rest.size // each
    if count < 10:
        raise NotMeasured(f"{count} frames in the record", expected="at least 10")
    frames = rest[: count * each].reshape(count, each)
    rms = np.sqrt(np.einsum("ij,ij->i", frames, frames) / each)
    loudest = int(rms.argmax())
    middle = min(loudest * each + each // 2 + width, volts.size - 1)
    return Stray(
        float(rms[loudest]),
        each,
        float(np.median(rms)),
        float(volts[middle]),
        each / sample_rate_hz,
    )


def _less_mean(values: Array, width: int) -> Array:
    """Each value less the mean of the ``width`` values about it."""
    width |= 1  # as many on either side
    total = np.cumsum(np.concatenate([[0.0], values]))
    mean = (total[width:] - total[:-width]) / width
    half = width // 2
    return np.asarray(values[half : values.size - half] - mean)


def loudest_by_chance(frames: int, samples: int) -> float:
    """How far above its own rms the loudest of many frames of plain noise lies, as a factor.

    The rms of n samples scatters by 1/√(2n) of itself, and the largest of N such lies √(2 ln N)
    standard deviations above their mean (extreme values; any textbook).
    """
    return 1.0 + math.sqrt(2.0 * math.log(max(frames, 2))) / math.sqrt(2.0 * samples)
