"""How the unit carries a signal: gain, balance, response, separation, source impedance, RIAA,
tone range, volume tracking.

Ratios of two readings on one range of one channel keep only what differs: pass UFloats whose
variables are shared. Levels are rms of the fundamental (see :mod:`seqrun.measure.sinefit`), in V;
results in dB unless said otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, covariance_matrix, umath

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded, above_noise
from seqrun.measure.uncertain import magnitude, variable
from seqrun.values import COVERAGE_FACTOR, Bound, exactly

Array = NDArray[np.float64]
HALF_POWER_DB = -10.0 * math.log10(2.0)
AUDIO_BAND_HZ = (20.0, 20_000.0)
MEDIAN_TO_SIGMA = 1.4826  # of what is normal: its standard deviation over its median magnitude
MEANWHILE = "scope and generator meanwhile"  # what both have moved by between two readings
NORMAL_SHARE = math.erf(COVERAGE_FACTOR / math.sqrt(2.0))  # of errors within 2 u: 95.45 %


def decibels(ratio: UFloat) -> UFloat:
    """20 lg of a voltage ratio, dB.

    Raises:
        NotMeasured: a ratio that is not above zero.
    """
    if not ratio.nominal_value > 0.0:
        raise NotMeasured(f"a ratio of {ratio.nominal_value:g}", expected="more than zero")
    return 20.0 * umath.log10(ratio)


def held_fall_db(levels: Sequence[float], moved_share: float) -> tuple[UFloat, int]:
    """How far a level that is held lies below its first reading where it is lowest, dB, and which
    reading that is.

    The scatter of one reading is told by successive differences (J. von Neumann et al., Annals of
    Mathematical Statistics 12 (1941) 153; from memory), by their median so that a fall among them
    does not count: a reading that drops is no noise.

    Args:
        levels: rms of the tone on one range, V, in order of time. moved_share: relative standard
            uncertainty of what the instruments have moved by since the first.

    Raises:
        NotMeasured: no reading, or one that is not above zero.
    """
    if not levels or min(levels) <= 0.0:
        raise NotMeasured("no level to hold another against", expected="readings above zero")
    lowest = min(range(len(levels)), key=lambda n: levels[n])
    apart = np.abs(np.diff(np.asarray(levels, dtype=np.float64)))
    scatter = MEDIAN_TO_SIGMA * float(np.median(apart)) / math.sqrt(2.0) if apart.size else 0.0
    ends = math.hypot(scatter / levels[0], scatter / levels[lowest])
    found = decibels(
        variable(levels[0] / levels[lowest], ends * levels[0] / levels[lowest], "scatter of looks")
        * variable(1.0, moved_share, MEANWHILE)
    )
    return found, lowest


def regained_db(before: UFloat, after: UFloat, moved_share: float) -> UFloat:
    """How much more of a tone there is than there was of the same a while before, dB.

    Args:
        before, after: rms of the tone on one range, V. moved_share: relative standard uncertainty
            of what the instruments have moved by in between.

    Raises:
        NotMeasured: one of them is not above zero.
    """
    _present(before, "the first tone")
    _present(after, "the tone later")
    return decibels(after / before * variable(1.0, moved_share, MEANWHILE))


def gain_db(output_rms: UFloat, input_rms: UFloat) -> UFloat:
    """Voltage gain: output over input, dB.

    Raises:
        NotMeasured: no output, or no input.
    """
    _present(output_rms, "output")
    _present(input_rms, "input")
    return decibels(output_rms / input_rms)


def balance_db(one: UFloat, other: UFloat) -> UFloat:
    """Channel balance: gain (or level at one drive) of one channel over the other's, dB.

    Args:
        one, other: as plain levels or ratios, both above zero (not in dB).

    Raises:
        NotMeasured: one of them is zero within its uncertainty.
    """
    _present(one, "one channel")
    _present(other, "the other channel")
    return decibels(one / other)


def separation_db(
    driven_rms: UFloat,
    undriven_rms: UFloat,
    floor_rms: UFloat | float | None = None,
) -> Bounded:
    """Channel separation: level of the driven channel over what of it appears in the other, dB.

    Both at the drive's frequency (a sine fit or a line of the spectrum, not the total rms), the
    undriven input terminated. Also serves input-to-input leakage.

    Args:
        driven_rms, undriven_rms: V.
        floor_rms: what the undriven output reads at that frequency with the drive off, V.

    Returns:
        The separation; ``at_least`` when the undriven channel's level is within the floor.

    Raises:
        NotMeasured: the driven channel is silent.
    """
    _present(driven_rms, "the driven channel")
    leak = above_noise(undriven_rms, floor_rms)
    expanded = COVERAGE_FACTOR * float(leak.value.std_dev)
    if leak.bound is Bound.EXACT and leak.value.nominal_value > expanded:
        return Bounded(decibels(driven_rms / leak.value))
    most = leak.value + expanded
    return Bounded(decibels(driven_rms / most), Bound.AT_LEAST)


@dataclass(frozen=True, slots=True)
class SourceAndDamping:
    """Magnitude of the output's source impedance (Ω) and the damping factor it makes."""

    impedance_ohm: UFloat
    damping_factor: UFloat
    bound: Bound  # at_most of the impedance (and so at_least of the factor), or exact


def source_impedance(
    unloaded_rms: UFloat,
    loaded_rms: UFloat,
    load_ohm: UFloat,
    rated_load_ohm: float,
    contact_ohm: UFloat | float = 0.0,
) -> SourceAndDamping:
    """Source impedance from the fall of the output when the load is put on: R(U0/U1 − 1), Ω.

    Damping factor is rated load over source impedance (IEC 60268-3, 14.4). The gain of the meter
    range cancels as U0 and U1 are read on one range. Leads between terminals and load count unless
    sensed at the terminals.

    Args:
        unloaded_rms, loaded_rms: at one drive level, V.
        load_ohm: Ω.
        rated_load_ohm: for the damping factor.
        contact_ohm: what a clip that was moved meanwhile adds, Ω; mean 0.

    Returns:
        Exact, or ``at_most`` when the fall is not larger than its own expanded uncertainty (the
        value is then its upper limit).

    Raises:
        NotMeasured: no output; or the output rises by more than its uncertainty with the load.
    """
    _present(unloaded_rms, "the unloaded output")
    _present(loaded_rms, "the loaded output")
    impedance = load_ohm * (unloaded_rms / loaded_rms - 1.0) + contact_ohm
    value, u = float(impedance.nominal_value), float(impedance.std_dev)
    if value < -COVERAGE_FACTOR * u:
        raise NotMeasured(
            "the output rises when the load is put on",
            expected="a fall or no change",
            hint="no load found, or the level was changed between",
        )
    if value > COVERAGE_FACTOR * u:
        return SourceAndDamping(impedance, rated_load_ohm / impedance, Bound.EXACT)
    most = impedance - value + max(value, 0.0) + COVERAGE_FACTOR * u
    return SourceAndDamping(most, rated_load_ohm / most, Bound.AT_MOST)


@dataclass(frozen=True, slots=True)
class Response:
    """Frequency response over a band.

    ``flatness_db``: largest departure either way from the level at the reference within the band
    (dB, ≥ 0). ``low_3db_hz``/``high_3db_hz``: where the level has fallen by 3 dB; None when the
    sweep does not reach that far (then the response is within 3 dB to its end).
    """

    relative_db: tuple[UFloat, ...]
    flatness_db: UFloat
    low_3db_hz: UFloat | None
    high_3db_hz: UFloat | None


def frequency_response(
    frequencies_hz: Sequence[float],
    gains: Sequence[UFloat],
    *,
    reference_hz: float = 1000.0,
    band_hz: tuple[float, float] = AUDIO_BAND_HZ,
) -> Response:
    """Flatness and −3 dB points from gains at stepped frequencies.

    Between frequencies the level in dB is taken as linear in log f. Contributions: those of the
    gains (a common gain error cancels), and for the −3 dB points ``interpolation``: the bend of a
    first-order roll-off between two steps.

    Args:
        frequencies_hz: rising.
        gains: voltage ratios (or levels at one drive), not in dB, same length.
        reference_hz: 0 dB is the gain nearest to this.
        band_hz: band of the flatness.

    Raises:
        NotMeasured: fewer than three frequencies, no output at one, or none in the band.
    """
    if len(frequencies_hz) != len(gains) or len(gains) < 3:
        raise NotMeasured(f"{len(gains)} frequencies", expected="at least three, rising")
    logs = np.log(np.asarray(frequencies_hz, dtype=np.float64))
    if not np.all(np.diff(logs) > 0.0):
        raise NotMeasured("frequencies out of order", expected="rising frequencies")
    for frequency, gain in zip(frequencies_hz, gains, strict=True):
        _present(gain, f"the output at {frequency:g} Hz")
    at = int(np.argmin(np.abs(logs - math.log(reference_hz))))
    relative = [decibels(g / gains[at]) if i != at else exactly(0.0) for i, g in enumerate(gains)]
    inside = [
        r
        for f, r in zip(frequencies_hz, relative, strict=True)
        if band_hz[0] * (1 - 1e-9) <= f <= band_hz[1] * (1 + 1e-9)
    ]
    if len(inside) < 2:
        raise NotMeasured("no frequencies in the band", expected=f"some within {band_hz} Hz")
    return Response(
        tuple(relative),
        _largest(inside),
        _crossing(logs, relative, at, -1),
        _crossing(logs, relative, at, +1),
    )


def _crossing(logs: Array, relative: Sequence[UFloat], start: int, step: int) -> UFloat | None:
    i = start
    while 0 <= i + step < len(relative):
        inner, outer = relative[i], relative[i + step]
        if outer.nominal_value <= HALF_POWER_DB < inner.nominal_value:
            share = (HALF_POWER_DB - inner) / (outer - inner)
            gap = float(logs[i + step] - logs[i])
            # A first-order roll-off has a slope of 4.34 dB per neper and a curvature of 4.34 dB
            # per neper² at its corner: it runs outside the chord by curvature/2·s(1 − s)·gap². The
            # order of the roll-off is not known; twice as much, or nothing, is possible.
            s = float(share.nominal_value)
            bend = 0.5 * s * (1.0 - s) * gap * gap
            steeper = 1.0 + (s - 0.5) * abs(gap)  # than the chord, where it is crossed
            log_f = float(logs[i]) + s * gap + step * bend + (share - s) * gap / steeper
            frequency = umath.exp(log_f)
            nominal = float(frequency.nominal_value)
            return frequency + variable(
                0.0, nominal * bend / math.sqrt(3.0), "interpolation", "rectangular"
            )
        i += step
    return None


def riaa_playback_db(frequency_hz: float) -> float:
    """RIAA playback curve re 1 kHz, dB: time constants 3180, 318 and 75 µs (IEC 60098)."""

    def power(f: float) -> float:
        w = 2.0 * math.pi * f
        return (1.0 + (w * 318e-6) ** 2) / ((1.0 + (w * 3180e-6) ** 2) * (1.0 + (w * 75e-6) ** 2))

    return 10.0 * math.log10(power(frequency_hz) / power(1000.0))


@dataclass(frozen=True, slots=True)
class CurveDeparture:
    """Departure from the playback curve at each frequency (dB), and the largest either way."""

    deviations_db: tuple[UFloat, ...]
    largest_db: UFloat


def riaa_deviation(
    frequencies_hz: Sequence[float], gains: Sequence[UFloat], *, reference_hz: float = 1000.0
) -> CurveDeparture:
    """Departure of a phono input from the RIAA playback curve, 0 dB at the reference.

    Args:
        frequencies_hz: of the sweep, Hz.
        gains: voltage ratios from phono input to output, not in dB.
        reference_hz: the frequency of the sweep nearest to this is where the curves meet.

    Raises:
        NotMeasured: fewer than two frequencies, or no output at one.
    """
    if len(frequencies_hz) != len(gains) or len(gains) < 2:
        raise NotMeasured(f"{len(gains)} frequencies", expected="at least two")
    for frequency, gain in zip(frequencies_hz, gains, strict=True):
        _present(gain, f"the output at {frequency:g} Hz")
    at = min(range(len(gains)), key=lambda i: abs(math.log(frequencies_hz[i] / reference_hz)))
    zero = riaa_playback_db(frequencies_hz[at])
    deviations = [
        decibels(g / gains[at]) - (riaa_playback_db(f) - zero) if i != at else exactly(0.0)
        for i, (f, g) in enumerate(zip(frequencies_hz, gains, strict=True))
    ]
    return CurveDeparture(tuple(deviations), _largest(deviations))


@dataclass(frozen=True, slots=True)
class BoostAndCut:
    """What a tone control does at one frequency, dB re its middle setting."""

    boost_db: UFloat
    cut_db: UFloat


def tone_range(full: UFloat, middle: UFloat, least: UFloat) -> BoostAndCut:
    """Range of a tone control from levels at full, middle and least setting, at one frequency
    (100 Hz for bass and 10 kHz for treble are usual; common practice).

    Args:
        full, middle, least: the output at each setting, at one drive, V rms.

    Raises:
        NotMeasured: one of them is zero within its uncertainty.
    """
    for level, words in ((full, "full"), (middle, "middle"), (least, "least")):
        _present(level, f"the output at {words} setting")
    return BoostAndCut(decibels(full / middle), decibels(least / middle))


@dataclass(frozen=True, slots=True)
class BalanceOverVolume:
    """Channel balance at each setting of the volume control (dB), and the largest difference from
    the balance at the first setting."""

    balance_db: tuple[UFloat, ...]
    largest_db: UFloat


def volume_tracking(one: Sequence[UFloat], other: Sequence[UFloat]) -> BalanceOverVolume:
    """How well two channels stay together as the volume is turned down.

    Args:
        one, other: output levels of both channels at each setting, the loudest first, at one drive.

    Raises:
        NotMeasured: fewer than two settings, or a channel that is silent at one.
    """
    if len(one) != len(other) or len(one) < 2:
        raise NotMeasured(f"{len(one)} settings", expected="at least two, both channels")
    balances = [balance_db(a, b) for a, b in zip(one, other, strict=True)]
    changes = [b - balances[0] for b in balances[1:]]
    return BalanceOverVolume(tuple(balances), _largest(changes))


def _largest(values: Sequence[UFloat]) -> UFloat:
    """The largest magnitude. Of many values one is carried highest by its error, so that it is less
    certain than a value by itself: it is off by no more than the largest of the errors of those
    that come near it (reverse triangle inequality), and that stays within the expanded uncertainty
    as often as a normal error stays within 2 u, by a simulation from the values' own covariance
    (fixed seed). Errors that they share leave it where it is."""
    nominal = np.array([float(v.nominal_value) for v in values])
    worst = magnitude(values[int(np.argmax(np.abs(nominal)))])
    u, top = float(worst.std_dev), float(worst.nominal_value)
    rivals = [v for v in values if abs(v.nominal_value) + 3.0 * v.std_dev > top - 3.0 * u]
    if u == 0.0 or len(rivals) < 2:
        return worst
    scale, axes = np.linalg.eigh(np.array(covariance_matrix(rivals)))
    draws = np.random.default_rng(0).standard_normal((2000, len(rivals)))
    errors = draws * np.sqrt(np.clip(scale, 0.0, None)) @ axes.T
    expanded = float(np.quantile(np.abs(errors).max(axis=1), NORMAL_SHARE))
    return top + (worst - top) * max(expanded / (COVERAGE_FACTOR * u), 1.0)


def _present(level: UFloat, what: str) -> None:
    if not level.nominal_value > max(COVERAGE_FACTOR * level.std_dev, 0.0):
        raise NotMeasured(
            f"{what} reads {level.nominal_value:.3g}, zero within its uncertainty",
            expected="a signal",
            hint="lead off, relay open, or the generator is off",
        )
