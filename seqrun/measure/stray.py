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
LOBE = 2  # bins on either side of a line that belong to it, by a Hann window
#: what :func:`_felt` leaves of the ripple of the difference from the mean (tried from 1.05 to 40
#: times the frequency above which anything is stray)
RIPPLE = 0.03


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
    tips of the signal alone counts at its full size. What the difference itself does to a line
    (half more of it at one and a half times ``above_hz``, a quarter less at two and a half) is
    taken back by the frequency of the frame's strongest line, but for :data:`RIPPLE`.

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
        float(rms[loudest]) * _felt(frames[loudest], sample_rate_hz, above_hz, width | 1),
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


def _felt(frame: Array, sample_rate_hz: float, above_hz: float, width: int) -> float:
    """What the rms of a frame is to be multiplied by for what the two differences from the mean
    over ``width`` samples did to its strongest line: 1 less a Dirichlet kernel, squared."""
    points = frame.size
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(points) + 0.5) / points)
    power = np.abs(np.fft.rfft(frame * hann)) ** 2
    bin_hz = sample_rate_hz / points
    first = min(math.ceil(0.9 * above_hz / bin_hz), power.size - 1)
    strongest = first + int(power[first:].argmax())
    near = slice(max(strongest - LOBE, 0), strongest + LOBE + 1)
    line, total = float(power[near].sum()), float(power.sum())
    if not line > 0.0:
        return 1.0
    at_hz = bin_hz * float(power[near] @ np.arange(power.size)[near]) / line
    angle = math.pi * max(at_hz, above_hz) / sample_rate_hz
    left = (1.0 - math.sin(width * angle) / (width * math.sin(angle))) ** 2
    return math.sqrt(1.0 + line / total * (1.0 / left**2 - 1.0))


def loudest_by_chance(frames: int, samples: int) -> float:
    """How far above its own rms the loudest of many frames of plain noise lies, as a factor.

    The rms of n samples scatters by 1/√(2n) of itself, and the largest of N such lies √(2 ln N)
    standard deviations above their mean (extreme values; any textbook).
    """
    return 1.0 + math.sqrt(2.0 * math.log(max(frames, 2))) / math.sqrt(2.0 * samples)
