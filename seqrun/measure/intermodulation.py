"""Intermodulation: two tones in, and what comes out besides them.

* Modulation distortion (IEC 60268-3, 14.12.9; SMPTE RP 120): a low and a high tone, as a rule
  60 Hz and 7 kHz at 4:1; the side lines f2 ± n·f1 over the high tone.
* Difference-frequency distortion (IEC 60268-3, 14.12.10; CCIF): two near tones of equal level, as a
  rule 19 kHz and 20 kHz; the lines f2−f1 and 2f1−f2, 2f2−f1 over the sum of both tones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded, above_distortion, root_of_square
from seqrun.measure.sinefit import check_record
from seqrun.measure.spectrum import Spectrum, Tone, find_tone, power_spectrum, tone_at
from seqrun.measure.windows import BLACKMAN_HARRIS, Window
from seqrun.values import Bound

Array = NDArray[np.float64]
NOISE = "noise under the lines"


@dataclass(frozen=True, slots=True)
class Intermodulation:
    """Ratios (0.01 = 1 %): second order, third order, and all together."""

    f1_hz: float
    f2_hz: float
    second: Bounded
    third: Bounded
    total: Bounded
    spectrum: Spectrum


def modulation_distortion(
    values: Array,
    sample_rate_hz: float,
    f1_hz: float = 60.0,
    f2_hz: float = 7000.0,
    *,
    orders: int = 3,
    window: Window = BLACKMAN_HARRIS,
    clipped: bool = False,
    floor: UFloat | float | None = None,
) -> Intermodulation:
    """Modulation distortion of a low and a high tone.

    ``second`` = (U(f2−f1) + U(f2+f1))/U(f2), ``third`` the same with 2·f1 (arithmetic sums, as IEC
    60268-3 has them); ``total`` = root of the summed mean squares of all side lines up to
    ``orders`` over U(f2) (as the SMPTE meter has it).

    Args:
        values: samples, shape (points,).
        sample_rate_hz, f1_hz, f2_hz: samples per second, low and high tone.
        orders: highest n of f2 ± n·f1 in ``total``.
        window, clipped: as :func:`seqrun.measure.distortion.distortion`.
        floor: intermodulation of generator and digitiser, ratio.

    Raises:
        NotMeasured: clipped, aliased, a tone missing, or too few periods of the low tone.
    """
    spectrum, first, second = _two_tones(values, sample_rate_hz, f1_hz, f2_hz, window, clipped)
    f1, f2 = first.frequency_hz, second.frequency_hz
    lines = [
        [tone_at(spectrum, f2 + side * n * f1, f1 / 2.0) for side in (-1, 1)]
        for n in range(1, max(orders, 2) + 1)
    ]
    carrier = math.sqrt(second.square)
    counted = [line for pair in lines[:orders] for line in pair]
    return Intermodulation(
        f1,
        f2,
        _sum(lines[0], carrier, floor),
        _sum(lines[1], carrier, floor),
        _root_sum(counted, carrier, floor),
        spectrum,
    )


def difference_distortion(
    values: Array,
    sample_rate_hz: float,
    f1_hz: float = 19000.0,
    f2_hz: float = 20000.0,
    *,
    window: Window = BLACKMAN_HARRIS,
    clipped: bool = False,
    floor: UFloat | float | None = None,
) -> Intermodulation:
    """Difference-frequency distortion of two near tones.

    ``second`` = U(f2−f1)/(U(f1)+U(f2)), ``third`` = (U(2f1−f2) + U(2f2−f1))/(U(f1)+U(f2)),
    ``total`` the root of the summed mean squares of the three lines over U(f1)+U(f2) (arithmetic
    sums, as IEC 60268-3 has them).

    Args:
        values: samples, shape (points,).
        sample_rate_hz, f1_hz, f2_hz: samples per second, lower and upper tone, Hz.
        window, clipped: as :func:`seqrun.measure.distortion.distortion`.
        floor: intermodulation of generator and digitiser, ratio.

    Raises:
        NotMeasured: as :func:`modulation_distortion`.
    """
    spectrum, first, second = _two_tones(values, sample_rate_hz, f1_hz, f2_hz, window, clipped)
    f1, f2 = first.frequency_hz, second.frequency_hz
    guard = (f2 - f1) / 2.0
    low = tone_at(spectrum, f2 - f1, guard)
    near = [tone_at(spectrum, 2.0 * f1 - f2, guard), tone_at(spectrum, 2.0 * f2 - f1, guard)]
    both = math.sqrt(first.square) + math.sqrt(second.square)
    return Intermodulation(
        f1,
        f2,
        _sum([low], both, floor),
        _sum(near, both, floor),
        _root_sum([low, *near], both, floor),
        spectrum,
    )


def _two_tones(
    values: Array,
    sample_rate_hz: float,
    f1_hz: float,
    f2_hz: float,
    window: Window,
    clipped: bool,
) -> tuple[Spectrum, Tone, Tone]:
    if not f1_hz < f2_hz:
        raise NotMeasured(f"tones of {f1_hz:g} Hz and {f2_hz:g} Hz", expected="the lower one first")
    check_record(values, sample_rate_hz, f1_hz, clipped)
    check_record(values, sample_rate_hz, f2_hz, False)
    spectrum = power_spectrum(values, sample_rate_hz, window)
    apart = min(f1_hz, f2_hz - f1_hz) / spectrum.bin_hz
    least = 2 * window.half_lobe_bins + 2
    if apart < least:
        raise NotMeasured(
            f"lines {apart:.3g} bins apart",
            expected=f"at least {least} for the {window.name} window",
            hint="capture a longer record",
        )
    # Tones nearer than the usual 2 % would find each other: look within a quarter of the gap.
    return (
        spectrum,
        find_tone(spectrum, f1_hz, (f2_hz - f1_hz) / 4.0),
        find_tone(spectrum, f2_hz, min(f1_hz, f2_hz - f1_hz) / 4.0),
    )


def _sum(lines: Sequence[Tone], reference: float, floor: UFloat | float | None) -> Bounded:
    parts = [root_of_square(t.square, t.u_square, NOISE) for t in lines]
    total = parts[0].value
    for part in parts[1:]:
        total = total + part.value
    return _floored(total / reference, all(p.bound is Bound.AT_MOST for p in parts), floor)


def _root_sum(lines: Sequence[Tone], reference: float, floor: UFloat | float | None) -> Bounded:
    square = sum(t.square for t in lines)
    u = math.hypot(*(t.u_square for t in lines))
    found = root_of_square(square, u, NOISE)
    return _floored(found.value / reference, found.bound is Bound.AT_MOST, floor)


def _floored(ratio: UFloat, buried: bool, floor: UFloat | float | None) -> Bounded:
    floored = above_distortion(ratio, floor)
    return Bounded(floored.value, Bound.AT_MOST) if buried else floored
