"""Times of switching: when an output comes and goes, and how long it is muted."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.sinefit import check_record
from seqrun.measure.uncertain import variable

Array = NDArray[np.float64]


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
class Switching:
    """Times at which a tone came (``closed_s``) and went (``opened_s``), on the record's axis."""

    closed_s: tuple[UFloat, ...]
    opened_s: tuple[UFloat, ...]
    level_rms: float


def switching(env: Envelope, *, share: float = 0.5, least_ratio: float = 20.0) -> Switching:
    """When a tone comes and goes: crossings of half its full level.

    The full level is the 95th percentile of the envelope. A crossing is known to the frame that it
    falls in: rectangular, ± one period.

    Args:
        env: from :func:`envelope`.
        share: of the full level.
        least_ratio: how far above the quietest twentieth the full level must stand; the envelope
            of noise alone reaches 8.

    Raises:
        NotMeasured: the tone neither comes nor goes (always there, or never).
    """
    full = float(np.quantile(env.rms, 0.95))
    quiet = float(np.quantile(env.rms, 0.05))
    if not full > 0.0 or full < least_ratio * quiet:
        raise NotMeasured(
            f"the tone stays between {quiet:.3g} V and {full:.3g} V",
            expected="a tone that comes or goes",
            hint="the relay did not switch within the record, or there is no drive",
        )
    on = env.rms > share * full
    edges = np.diff(on.astype(np.int8))
    u = env.frame_s / math.sqrt(3.0)

    def times(sign: int) -> tuple[UFloat, ...]:
        where = np.flatnonzero(edges == sign)
        middle = (env.times_s[where] + env.times_s[where + 1]) / 2.0
        return tuple(variable(float(t), u, "one period of the tone", "rectangular") for t in middle)

    return Switching(times(1), times(-1), full)


def pull_in_time(events: Switching, power_on_s: UFloat) -> UFloat:
    """Relay pull-in: from switching on to the (last) closing of the output, s.

    Bounces count as not yet closed.

    Raises:
        NotMeasured: the output did not close after power came on.
    """
    later = [t for t in events.closed_s if t.nominal_value > power_on_s.nominal_value]
    if not later:
        raise NotMeasured("the output did not close", expected="a tone after switching on")
    return later[-1] - power_on_s


def release_time(events: Switching, power_off_s: UFloat) -> UFloat:
    """Relay release: from switching off to the first opening of the output, s.

    Raises:
        NotMeasured: the output did not open after power went.
    """
    later = [t for t in events.opened_s if t.nominal_value > power_off_s.nominal_value]
    if not later:
        raise NotMeasured("the output did not open", expected="silence after switching off")
    return later[0] - power_off_s


def mute_length(events: Switching) -> UFloat:
    """Length of a muting (on change of input): from going to coming back, s.

    Raises:
        NotMeasured: the tone did not go and come back.
    """
    for opened in events.opened_s:
        back = [c for c in events.closed_s if c.nominal_value > opened.nominal_value]
        if back:
            return back[0] - opened
    raise NotMeasured("the tone did not go and come back", expected="one muting in the record")


def watched_event(
    last_without_s: float, first_with_s: float, name: str = "watching interval"
) -> UFloat:
    """Time of an event that was seen between two looks: the middle, rectangular, s.

    Raises:
        NotMeasured: looks out of order.
    """
    if first_with_s < last_without_s:
        raise NotMeasured("looks out of order", expected="the first sight after the last without")
    half = (first_with_s - last_without_s) / 2.0
    return variable(last_without_s + half, half / math.sqrt(3.0), name, "rectangular")
