"""How far an output is from what it was a moment before, and how long it sticks to an end.

An output that is left alone but for a quiet tone shows three things: DC, the tone, and all the
rest. Whatever is done to the unit that should not matter to it (a rail a little lower, another
channel that plays, an overload that is over, being switched off and on) is to change none of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded
from seqrun.measure.sinefit import check_record, fit_sine_4
from seqrun.measure.transfer import MEANWHILE
from seqrun.values import Bound, exactly, normal, rectangular

Array = NDArray[np.float64]
PARTS = 5  # of a record, whose scatter tells how well it is read (of 0.1 s each a period of 50 Hz)
#: parts of half the swing of what is cut off: within the first it follows its sine, beyond the
#: second it is near an end (our own choice)
MIDDLE, NEAR_END = 0.7, 0.9


@dataclass(frozen=True, slots=True)
class OutputState:
    """One look at an output, V: its DC, the rms of the tone, the rms of all the rest. ``clipped``:
    they are larger than that."""

    dc_v: UFloat
    tone_v: UFloat
    rest_v: UFloat
    clipped: bool = False


def output_state(
    volts: Array,
    sample_rate_hz: float,
    tone_hz: float,
    *,
    gain: UFloat | None = None,
    offset_v: UFloat | None = None,
    clipped: bool = False,
) -> OutputState:
    """DC, tone and rest of a record, by least squares at a known frequency (IEEE 1057, three
    parameters) with an even drift beside, as of a coupling that settles, which is neither; how well
    each is known, by the scatter of five parts of the record.

    Args:
        volts: samples, shape (points,), V. tone_hz: of the tone, by the scope's clock; it need not
            be there. gain, offset_v: of the range, mean 1 and 0.
        clipped: the converter ran out of range: what is found is the least that there is.

    Raises:
        NotMeasured: too short a record for five parts of two periods each.
    """
    check_record(volts[: volts.size // PARTS], sample_rate_hz, tone_hz, False)
    whole = _fitted(volts, sample_rate_hz, tone_hz)
    each = volts.size // PARTS
    parts = np.array(
        [_fitted(volts[n * each : (n + 1) * each], sample_rate_hz, tone_hz) for n in range(PARTS)]
    )
    of_mean = parts.std(axis=0, ddof=1) / math.sqrt(PARTS)
    dc, tone, rest = (
        normal(found, u, f"scatter of the {name}", PARTS - 1)
        for found, u, name in zip(whole, of_mean.tolist(), ("DC", "tone", "rest"), strict=True)
    )
    if gain is not None:
        dc, tone, rest = dc * gain, tone * gain, rest * gain
    return OutputState(dc if offset_v is None else dc + offset_v, tone, rest, clipped)


def _fitted(volts: Array, sample_rate_hz: float, tone_hz: float) -> tuple[float, float, float]:
    """Mean, rms of the tone, rms of the residuals."""
    basis = _basis(volts.size, sample_rate_hz, tone_hz)
    found, *_ = np.linalg.lstsq(basis, volts, rcond=None)
    left = volts - basis @ found
    mean, _, sine, cosine = (float(value) for value in found)
    return mean, math.hypot(sine, cosine) / math.sqrt(2.0), float(np.sqrt(np.mean(left**2)))


def _basis(points: int, sample_rate_hz: float, tone_hz: float) -> Array:
    """A constant, an even drift of mean 0, a sine and a cosine, (points, 4)."""
    angle = 2.0 * math.pi * tone_hz / sample_rate_hz * np.arange(points)
    drift = np.linspace(-1.0, 1.0, points)
    return np.stack((np.ones(points), drift, np.sin(angle), np.cos(angle)), axis=1)


def change_v(
    before: OutputState,
    now: OutputState,
    moved_share: float,
    *,
    tone: bool = True,
    dc: bool = True,
) -> Bounded:
    """How far an output is from what it was, V rms: the square root of what DC and tone have
    changed by and of what has come to the rest, each squared.

    The uncertainties of the three are added with full weight, which is more than they have where
    one of them stands out: near nothing the derivatives are those of no one of them.

    Args:
        before, now: looks on one range, V. moved_share: relative standard uncertainty of what the
            instruments have moved by in between. tone, dc: whether those count; DC does not where
            a coupling has taken it away.

    Raises:
        NotMeasured: the first look was larger than its range.
    """
    if before.clipped:
        raise NotMeasured(
            "the output is beyond the range of a quiet look to begin with",
            expected="an output that is at rest but for a quiet tone",
        )
    changes = [now.dc_v - before.dc_v] if dc else []
    if tone:
        moved = normal(1.0, moved_share, MEANWHILE)
        changes.append(now.tone_v * moved - before.tone_v)
    more = now.rest_v * now.rest_v - before.rest_v * before.rest_v
    come = math.sqrt(max(float(more.nominal_value), 0.0))
    squares = come**2 + sum(float(c.nominal_value) ** 2 for c in changes)
    value = exactly(math.sqrt(squares))
    for change in changes:
        value = value + (change - float(change.nominal_value))
    for rest in (before.rest_v, now.rest_v):
        value = value + (rest - float(rest.nominal_value))
    return Bounded(value, Bound.AT_LEAST if now.clipped else Bound.EXACT)


def sticking_s(
    volts: Array, sample_rate_hz: float, frequency_hz: float, *, clipped: bool = False
) -> UFloat:
    """How long a stage stays where it cut a sine off, s, once the sine would have it come back.

    Between its ends an output follows a sine, cut off or not: that sine is fitted to what lies in
    the middle of the swing (:data:`MIDDLE`), and tells for how long of each period the output is to
    be near its ends (beyond :data:`NEAR_END` of them). What it is there longer, at the end where
    that is more, is what it sticks. Known to a sample either way, which is all that is stated.

    Args:
        volts: samples of a steady wave, shape (points,), V. frequency_hz: of it, right to a part
            of a thousand.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: as :func:`~seqrun.measure.sinefit.fit_sine_4`.
    """
    fit = fit_sine_4(volts, sample_rate_hz, frequency_hz, clipped=clipped)
    frequency = float(fit.frequency_hz.nominal_value)
    basis = _basis(volts.size, sample_rate_hz, frequency)
    low, high = float(volts.min()), float(volts.max())
    middle, half = 0.5 * (high + low), 0.5 * (high - low)
    within = np.abs(volts - middle) < MIDDLE * half
    found, *_ = np.linalg.lstsq(basis[within], volts[within], rcond=None)
    wanted = basis @ found
    longer = 0.0
    for sign in (1.0, -1.0):
        is_there = sign * (volts - middle) > NEAR_END * half
        is_due = sign * (wanted - middle) > NEAR_END * half
        longer = max(longer, float(np.mean(is_there)) - float(np.mean(is_due)))
    return rectangular(longer / frequency, 1.0 / sample_rate_hz, "time between two samples")
