"""What a number is worth near the instrument's own floor.

Two laws of addition are met on a bench. Noise of the instrument is independent of the signal, so
mean squares add: ``measured² = true² + floor²``. Distortion of generator and digitiser is locked
to the signal with unknown phase, so amplitudes add as phasors: ``|measured - true| <= floor``.

A floor given as a float is a data-sheet limit (the true floor lies somewhere in 0 … floor); given
as a UFloat it was measured on this bench (input shorted, loop-back) and is known that well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from uncertainties import UFloat

from seqrun.measure.uncertain import variable
from seqrun.values import COVERAGE_FACTOR, Bound, exactly

#: a single phasor of fixed length and any phase projects as an arcsine law: u = F/√2; with its
#: length rectangular in 0 … F, u² = F²/2 · 1/3
PHASOR_KNOWN = 1.0 / math.sqrt(2.0)
PHASOR_LIMIT = 1.0 / math.sqrt(6.0)
#: times a data-sheet limit that a reading has to be to be a number: 2 u is 0.82 of the limit, so
#: that nearer to it a floor that comes near its limit would be taken for the unit's own
CLEAR = 1.5


@dataclass(frozen=True, slots=True)
class Bounded:
    """A value and how it is meant.

    With ``bound`` at_most the nominal value is what was measured *including* the floor, so that
    ``value + U`` is still an upper limit of the true one at the usual coverage.
    """

    value: UFloat
    bound: Bound = Bound.EXACT


def above_noise(
    measured: UFloat, floor: UFloat | float | None, name: str = "noise floor"
) -> Bounded:
    """Take an independent floor out of an rms reading, or say "at most".

    Args:
        measured: rms reading with its uncertainty, any unit.
        floor: the instrument's own rms in the same unit and bandwidth; float = data-sheet limit
            (mean square rectangular in 0 … floor²), UFloat = measured, None = negligible.
        name: the name the contribution gets in the budget.

    Returns:
        ``sqrt(measured² - floor²)``; or, when that is not larger than its own expanded
        uncertainty or the reading lies within the floor, ``measured`` itself as at_most.
    """
    if floor is None or (isinstance(floor, float | int) and floor == 0.0):
        return Bounded(measured)
    m = float(measured.nominal_value)
    if isinstance(floor, float | int):
        square = floor * floor
        floor_square = variable(square / 2.0, square / math.sqrt(12.0), name, "rectangular")
        limit = float(floor)
    else:
        floor_square = floor * floor
        limit = float(floor.nominal_value)
    true_square = measured * measured - floor_square
    nominal, u = float(true_square.nominal_value), float(true_square.std_dev)
    if m <= limit or nominal <= COVERAGE_FACTOR * u:
        return Bounded(measured, Bound.AT_MOST)
    return Bounded(true_square**0.5)


def above_distortion(
    measured: UFloat, floor: UFloat | float | None, name: str = "distortion floor"
) -> Bounded:
    """Attach the phase-locked floor to a distortion reading, or say "at most".

    Args:
        measured: distortion as a ratio (or volts) with its uncertainty.
        floor: the distortion of generator and digitiser together in the same unit; float =
            data-sheet limit, UFloat = measured in loop-back (its magnitude is then known, its
            phase against the unit's own products is not), None = negligible.

    Returns:
        ``measured`` widened by the floor; or ``measured + floor`` as at_most when the reading
        lies within the floor (a data-sheet limit: within :data:`CLEAR` times it) or within its own
        expanded uncertainty.
    """
    m = float(measured.nominal_value)
    if floor is None:
        worst, u, least = 0.0, 0.0, 0.0
    elif isinstance(floor, float | int):
        worst, u = float(floor), float(floor) * PHASOR_LIMIT
        least = CLEAR * worst
    else:
        worst, u = float(floor.nominal_value), float(floor.nominal_value) * PHASOR_KNOWN
        least = worst
    total = math.hypot(float(measured.std_dev), u)
    if m <= least or m <= COVERAGE_FACTOR * total:
        return Bounded(measured + worst, Bound.AT_MOST)
    return Bounded(measured + variable(0.0, u, name, "rectangular"))


def root_of_square(
    square: float, u_square: float, name: str, stands_out: float = COVERAGE_FACTOR
) -> Bounded:
    """An rms from an estimate of a mean square that may come out negative by noise.

    When the square is not larger than its own expanded uncertainty the root of its upper limit
    ``max(square, 0) + 2 u`` is given as at_most.

    Args:
        stands_out: how many times u it has to be larger than instead, where what is read may not be
            there at all or was looked for at several places: of many such readings those are taken
            for one that chance has carried highest, and their U does not reach down to the truth.
    """
    if square <= stands_out * u_square:
        return Bounded(
            exactly(math.sqrt(max(square, 0.0) + COVERAGE_FACTOR * u_square)), Bound.AT_MOST
        )
    root = math.sqrt(square)
    return Bounded(variable(root, u_square / (2.0 * root), name))


def quantisation_rms(lsb: float, band_hz: float, sample_rate_hz: float) -> float:
    """rms of a converter's quantisation noise within a band: lsb/√12, spread evenly up to half the
    sample rate (true of signals that cross many steps; IEEE 1241).

    Args:
        lsb: step of the converter; the result has its unit.
        band_hz: width of the band, Hz; all of the noise from half the sample rate on.
        sample_rate_hz: samples per second.
    """
    return lsb / math.sqrt(12.0) * math.sqrt(min(2.0 * band_hz / sample_rate_hz, 1.0))
