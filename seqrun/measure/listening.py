"""What a listener hears in a tone: that it drops out, or that something crackles beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import NotMeasured
from seqrun.measure.noise import find_bursts
from seqrun.measure.sinefit import check_record

Array = NDArray[np.float64]
FRAME_S = 5e-3  # of a crackle
DEPARTS = 0.1  # a tone whose level departs by this share for a whole period has dropped out
LOUDER = 3.0  # rms of a crackle's frame over that of the middle one
MOST_PERIODS = 10  # that are tried for a whole number of samples
#: frames that steady noise may set off in a whole soak, of hundreds of records
FALSE_ALARMS = 1e-5


@dataclass(frozen=True, slots=True)
class Listened:
    """What one record of an output has told.

    ``drop_outs`` began in it and took ``lost_s`` in all; ``crackles`` began in what is left, the
    loudest of ``peak_v``. ``live_s``: how long it was listened to. ``least_v``: the rms over 5 ms
    from which on a crackle was heard in the whole of it.
    """

    drop_outs: int
    lost_s: float
    crackles: int
    peak_v: float
    live_s: float
    least_v: float = 0.0

    def __add__(self, other: Listened) -> Listened:
        return Listened(
            self.drop_outs + other.drop_outs,
            self.lost_s + other.lost_s,
            self.crackles + other.crackles,
            max(self.peak_v, other.peak_v),
            self.live_s + other.live_s,
            max(self.least_v, other.least_v),
        )


NOTHING = Listened(0, 0.0, 0, 0.0, 0.0)


def period_of(sample_rate_hz: float, frequency_hz: float) -> int:
    """Samples in the whole number of periods, of up to :data:`MOST_PERIODS`, that is nearest to a
    whole number of samples, as a part of its length.

    Args:
        sample_rate_hz, frequency_hz: samples and periods per second.
    """
    wanted: list[float] = [n * sample_rate_hz / frequency_hz for n in range(1, MOST_PERIODS + 1)]
    best: float = min(wanted, key=lambda samples: abs(samples - round(samples)) / samples)
    return round(best)


def least_beside_a_tone(step_v: float) -> float:
    """The rms over 5 ms, V, from which on a crackle beside a tone stands out of a converter's
    steps.

    A record less itself a period before holds two roundings, each of step²/12 (IEEE 1241), and a
    slow drift moves them by one step at the most: what is three times as loud is neither.
    """
    return LOUDER * step_v / math.sqrt(6.0)


def listen_driven(
    volts: Array,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    step_v: float = 0.0,
    clipped: bool = False,
) -> Listened:
    """Listen to an output that plays a tone.

    A drop-out is a stretch in which the rms over a period departs from the record's middle by more
    than a tenth. For crackles the record less itself a period before is looked at: a tone and all
    its harmonics, and what hum there is to the most part, are gone; where a frame of that is three
    times as loud as the middle one, and as the converter's own steps, something crackled, unless
    the tone dropped out there.

    Args:
        volts: one record, shape (points,), V. frequency_hz: of the tone.
        step_v: of the converter, V at the tip; 0: not known.

    Raises:
        NotMeasured: clipped; less than a hundred periods; no tone.
    """
    check_record(volts, sample_rate_hz, frequency_hz, clipped)
    period = period_of(sample_rate_hz, frequency_hz)
    count = volts.size // period
    if count < 20:
        raise NotMeasured(f"{count} looks at a tone", expected="a record of a hundred periods")
    frames = volts[: count * period].reshape(count, period)
    frames = frames - float(volts.mean())
    level = np.sqrt(np.einsum("ij,ij->i", frames, frames) / period)
    middle = float(np.median(level))
    if not middle > 0.0:
        raise NotMeasured("silence", expected="a tone")
    gone = np.abs(level - middle) > DEPARTS * middle
    starts = _beginnings(gone)
    step = period / sample_rate_hz

    rest = volts[period:] - volts[:-period]
    each = max(round(FRAME_S * sample_rate_hz / period), 1) * period
    many = rest.size // each
    pieces = rest[: many * each].reshape(many, each)
    square = np.einsum("ij,ij->i", pieces, pieces) / each
    quiet = float(np.median(square))
    least = max(LOUDER * math.sqrt(quiet), least_beside_a_tone(step_v))
    loud = square > least**2
    # A period lost shows in the frame that holds it and, a period later, once more.
    at = np.flatnonzero(gone)
    for shift in (-2, -1, 0, 1) if at.size else ():
        hit = np.clip((at + shift) * period // each, 0, many - 1)
        loud[hit] = False
    heard = pieces[loud]
    return Listened(
        starts,
        float(gone.sum()) * step,
        _beginnings(loud),
        float(np.abs(heard).max()) if heard.size else 0.0,
        volts.size / sample_rate_hz,
        least,
    )


def listen_quiet(
    volts: Array, sample_rate_hz: float, *, step_v: float = 0.0, clipped: bool = False
) -> Listened:
    """Listen to an output without drive: the bursts of :func:`~seqrun.measure.noise.find_bursts`.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz: samples per second.
        step_v: the converter's step, V; 0: none that matters.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped, or a record of less than fifty frames.
    """
    found = find_bursts(
        volts, sample_rate_hz, false_alarms=FALSE_ALARMS, step_v=step_v, clipped=clipped
    )
    crackles = len(found.starts_s) if not found.merged else max(len(found.starts_s), 1)
    peak = max(found.peaks_v, default=0.0)
    return Listened(0, 0.0, crackles, peak, found.span_s, found.threshold_rms_v)


def _beginnings(on: NDArray[np.bool_]) -> int:
    return int(on[0]) + int(np.count_nonzero(on[1:] & ~on[:-1])) if on.size else 0
