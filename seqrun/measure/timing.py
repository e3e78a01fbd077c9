"""Times of switching: when an output comes and goes, and how long it is muted.

A small tone plays and the output is looked at again and again; what happens between two looks is
known to their interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.sinefit import check_record
from seqrun.measure.uncertain import variable
from seqrun.values import COVERAGE_FACTOR, Bound, rectangular

Array = NDArray[np.float64]
LOST = 0.5  # of a tone's level: less is an open contact


@dataclass(frozen=True, slots=True)
class Envelope:
    """rms of a tone in consecutive frames: ``times_s`` are the frames' centres."""

    times_s: Array
    rms: Array
    frame_s: float


def envelope(
    volts: Array, sample_rate_hz: float, frequency_hz: float, *, clipped: bool = False
) -> Envelope:
    """Envelope of a tone, one value per period, noise and DC steps of other frequencies rejected.

    Each frame is one period (rounded to samples), correlated with the tone.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz, frequency_hz: samples per second, and frequency of the tone, Hz.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped, fewer than eight samples per period, or fewer than ten periods.
    """
    check_record(volts, sample_rate_hz, frequency_hz, clipped)
    each = round(sample_rate_hz / frequency_hz)
    count = volts.size // each
    if each < 8 or count < 10:
        raise NotMeasured(
            f"{count} periods of {each} samples", expected="at least ten periods of eight samples"
        )
    frames = volts[: count * each].reshape(count, each)
    turn = np.exp(-2j * math.pi * frequency_hz / sample_rate_hz * np.arange(each))
    frames = frames - frames.mean(axis=1, keepdims=True)
    amplitude: Array = 2.0 / each * np.hypot(frames @ turn.real, frames @ turn.imag)
    step = each / sample_rate_hz
    centres = (np.arange(count, dtype=np.float64) + 0.5) * step
    return Envelope(centres, amplitude / math.sqrt(2.0), step)


@dataclass(frozen=True, slots=True)
class Look:
    """One look at an output: when it was begun and ended, s, and whether the tone was there."""

    begun_s: float
    ended_s: float
    present: bool


def pull_in_time(looks: Sequence[Look], open_at_s: float, rails_up: UFloat) -> UFloat:
    """Relay pull-in: from the rails being up to the closing of the output, s.

    Args:
        looks: in order, up to the first that shows the tone at least.
        open_at_s: when the relay was open for certain, before all looks.
        rails_up: when the rails came up, s.

    Raises:
        NotMeasured: no look shows the tone.
    """
    return _first(looks, True, open_at_s) - rails_up


def closes_between(rails_up: UFloat, delays: Sequence[UFloat], apart: float) -> tuple[float, float]:
    """From when until when relays close after rails came up, by what they took the time before.

    Args:
        rails_up: when the rails came up, s. delays: of each relay, as :func:`pull_in_time` told.
        apart: by which share of its delay a relay may differ from one time to the next.

    Returns:
        In the time of ``rails_up``, s: all of them at k = 2, and the share more on either side.
    """
    ends: list[float] = []
    for delay in delays:
        at = rails_up + delay
        most = COVERAGE_FACTOR * at.std_dev + apart * abs(delay.nominal_value)
        ends += [at.nominal_value - most, at.nominal_value + most]
    return min(ends), max(ends)


def release_time(looks: Sequence[Look], switched_s: tuple[float, float]) -> UFloat:
    """Relay release: from switching the power off to the first opening of the output, s.

    Args:
        looks: in order, after the switching.
        switched_s: before and after the switching.

    Raises:
        NotMeasured: every look shows the tone.
    """
    opened = _first(looks, False, switched_s[0])
    return opened - watched_event(*switched_s, "moment of switching")


def mute_length(looks: Sequence[Look], turned_s: tuple[float, float]) -> Bounded:
    """Length of a muting: from turning a control to the tone being back for good, s; at most that
    of the first look when it was there by then.

    Args:
        looks: in order, after the turning.
        turned_s: before and after the turning.

    Raises:
        NotMeasured: no look at all, or none after the last silent one.
    """
    silent = [n for n, look in enumerate(looks) if not look.present]
    back = silent[-1] + 1 if silent else 0
    if back >= len(looks):
        raise NotMeasured("the tone does not come back", expected="a muting that ends")
    begun = watched_event(*turned_s, "moment of turning")
    if not silent:
        half = 0.5 * (turned_s[1] - turned_s[0])
        return Bounded(looks[0].ended_s - begun + half, Bound.AT_MOST)
    return Bounded(watched_event(looks[back - 1].begun_s, looks[back].ended_s) - begun)


def _first(looks: Sequence[Look], present: bool, since_s: float) -> UFloat:
    """When the tone came (or went) for the first time: between two looks."""
    for look in looks:
        if look.present is present:
            return watched_event(since_s, look.ended_s)
        since_s = look.begun_s
    raise NotMeasured(
        "the tone stays" if looks and not present else "no tone",
        expected="an output that closes" if present else "an output that opens",
    )


def watched_event(
    last_without_s: float, first_with_s: float, name: str = "watching interval"
) -> UFloat:
    """Time of an event that was seen between two looks: the middle, rectangular, s.

    Args:
        last_without_s, first_with_s: when the last look without it began and the first one with it
            ended, s.
        name: of the contribution in budgets.

    Raises:
        NotMeasured: looks out of order.
    """
    if first_with_s < last_without_s:
        raise NotMeasured("looks out of order", expected="the first sight after the last without")
    half = (first_with_s - last_without_s) / 2.0
    return variable(last_without_s + half, half / math.sqrt(3.0), name, "rectangular")


@dataclass(frozen=True, slots=True)
class Lost:
    """How long a tone was lost within a record, s, how often, and how long the record was, s.
    ``at_end``: it ended without the tone."""

    seconds: UFloat
    times: int
    listened_s: float
    at_end: bool = False


def silent_for(
    volts: Array, sample_rate_hz: float, frequency_hz: float, *, clipped: bool = False
) -> Lost:
    """How long a tone is lost within a record: its periods that have less than half of the level
    of the loudest, added up.

    Each stretch begins and ends somewhere within a period (rectangular, a period in all).

    Args:
        volts: samples, shape (points,), V. frequency_hz: of the tone.

    Raises:
        NotMeasured: as :func:`envelope`.
    """
    found = envelope(volts, sample_rate_hz, frequency_hz, clipped=clipped)
    gone = found.rms < LOST * float(found.rms.max())
    times = int(gone[0]) + int(np.count_nonzero(gone[1:] & ~gone[:-1]))
    seconds = float(np.count_nonzero(gone)) * found.frame_s
    known = rectangular(seconds, found.frame_s * max(times, 0.5), "periods lost in part")
    return Lost(known, times, found.rms.size * found.frame_s, bool(gone[-1]))
