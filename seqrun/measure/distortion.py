"""Harmonic distortion, THD+N and SINAD from the windowed spectrum and from tone fits.

Definitions (IEC 60268-3, clause 14.12; IEEE 1241 for SINAD):

* THD: root of the summed mean squares of the harmonics, 2nd to 20th, over the fundamental.
* THD+N: rms of all in the band but the fundamental, over the fundamental.
* SINAD: the reciprocal of THD+N.

Steady lines that are no harmonics (hum and its multiples, a whine) count into THD+N as what they
are; they are told from noise and do not make it less certain, nor do they touch THD.

Contributions: noise under each line (its mean square is taken out, its scatter kept), the
statistics of the noise bins, and the instrument's floor (see :mod:`seqrun.measure.bounds`).
The vertical gain cancels in every ratio.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, umath

from seqrun.errors import NotMeasured
from seqrun.measure import tones
from seqrun.measure.bounds import Bounded, above_distortion, above_noise, root_of_square
from seqrun.measure.noise import STATISTICS
from seqrun.measure.sinefit import check_record, fit_sine_4
from seqrun.measure.spectrum import (
    Spectrum,
    Tone,
    find_tone,
    noise_about,
    noise_scatter,
    power_spectrum,
    tone_at,
)
from seqrun.measure.uncertain import variable
from seqrun.measure.weighting import BAND_HZ, Weighting, power_weights
from seqrun.measure.windows import BLACKMAN_HARRIS, HANN, Window
from seqrun.values import COVERAGE_FACTOR, Bound, exactly

Array = NDArray[np.float64]
NOISE_UNDER = "noise under the harmonics"
#: highest order counted into THD, everywhere: at 1 kHz the audio band (IEC 60268-3 leaves it open)
HARMONICS = 20
LEAST_FIT_PERIODS = 20
MOST_LINES = 12  # fitted along: hum and its stronger multiples


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic: its order, where it lies, and its rms in the record's unit."""

    order: int
    frequency_hz: float
    rms: Bounded


@dataclass(frozen=True, slots=True)
class Distortion:
    """What a record of one tone holds. Ratios are plain numbers (0.01 = 1 %)."""

    fundamental_hz: float
    fundamental_rms: UFloat
    total_rms: UFloat  # fundamental, harmonics and noise in the band
    harmonics: tuple[Harmonic, ...]
    thd: Bounded
    thd_n: Bounded
    noise_rms: Bounded  # the band less fundamental and harmonics
    weighting: Weighting
    spectrum: Spectrum

    @property
    def sinad_db(self) -> UFloat:
        """SINAD, dB; "at least" when ``thd_n`` is at_most."""
        return -20.0 * umath.log10(self.thd_n.value)


def distortion(
    values: Array,
    sample_rate_hz: float,
    frequency_hz: float | None = None,
    *,
    harmonics: int = HARMONICS,
    band_hz: tuple[float, float] = BAND_HZ,
    weighting: Weighting = Weighting.UNWEIGHTED,
    window: Window = BLACKMAN_HARRIS,
    gain: UFloat | None = None,
    clipped: bool = False,
    floor_thd: UFloat | float | None = None,
    floor_noise: UFloat | float | None = None,
) -> Distortion:
    """THD, THD+N and noise of a record that holds one tone.

    Args:
        values: samples, shape (points,), any unit (V).
        sample_rate_hz: samples per second.
        frequency_hz: where the fundamental is expected (looked for within 2 %); None: the
            strongest line.
        harmonics: highest order counted into THD; those above half the sample rate are left out.
        band_hz: band of THD+N and noise, sharp edges; the upper one may lie above half the sample
            rate (then half the sample rate is the edge).
        weighting: of residual and noise in THD+N (the fundamental is never weighted).
        window: RECTANGULAR only for coherent sampling (see :func:`seqrun.measure.windows.choose`).
        gain: vertical gain of mean 1, for the absolute values.
        clipped: whether the converter ran out of range.
        floor_thd: distortion of generator and digitiser together, ratio.
        floor_noise: the instrument's own noise in the same band and weighting, rms.

    Raises:
        NotMeasured: clipped converter, no tone, a stronger tone elsewhere (aliased or wrong
            channel), too few periods for the window, no harmonic below half the sample rate.
    """
    check_record(values, sample_rate_hz, frequency_hz, clipped)
    spectrum = power_spectrum(values, sample_rate_hz, window)
    fundamental = find_tone(spectrum, frequency_hz)
    f0, bin_hz = fundamental.frequency_hz, spectrum.bin_hz
    _check_lobes(spectrum, f0)
    highest = (spectrum.power.size - 1 - window.half_lobe_bins) * bin_hz
    orders = [n for n in range(2, harmonics + 1) if n * f0 <= highest]
    if not orders:
        raise NotMeasured(
            f"no harmonic of {f0:g} Hz below half the sample rate ({sample_rate_hz / 2:g} Hz)",
            expected="a sample rate above four times the tone",
        )
    _check_strongest(spectrum, fundamental, frequency_hz)
    found = [tone_at(spectrum, n * f0, f0 / 2.0) for n in orders]
    scale = gain if gain is not None else exactly(1.0)
    root = math.sqrt(fundamental.square)
    u_root = fundamental.u_square / (2.0 * root)
    level = variable(root, u_root, "noise under the fundamental") * scale

    square = sum(tone.square for tone in found)
    u_square = math.hypot(*(tone.u_square for tone in found))
    raw = root_of_square(square, u_square, NOISE_UNDER)
    thd = _floored(raw, floor_thd, root)

    rest = _residual(spectrum, fundamental, found, band_hz, weighting)
    noise = root_of_square(rest.noise, rest.u_noise, STATISTICS)
    skirt = math.sqrt(fundamental.square * window.leakage(f0 / bin_hz - round(f0 / bin_hz)))
    for floor, name in ((skirt, "leakage of the window"), (floor_noise, "noise floor")):
        if noise.bound is Bound.EXACT:
            noise = above_noise(noise.value, floor, name)
    in_band = root_of_square(rest.harmonics, rest.u_harmonics, NOISE_UNDER)
    thd_n = _together(_floored(in_band, floor_thd, root), _over(noise, root))
    total = math.sqrt(max(fundamental.square + rest.harmonics + rest.noise, 0.0))
    return Distortion(
        f0,
        level,
        variable(total, math.hypot(u_root, rest.u_noise / (2.0 * total)), STATISTICS) * scale,
        tuple(
            Harmonic(n, tone.frequency_hz, _scaled(_rms(tone), scale))
            for n, tone in zip(orders, found, strict=True)
        ),
        thd,
        thd_n,
        _scaled(noise, scale),
        weighting,
        spectrum,
    )


@dataclass(frozen=True, slots=True)
class _Residual:
    harmonics: float
    u_harmonics: float
    noise: float
    u_noise: float


def _residual(
    spectrum: Spectrum,
    fundamental: Tone,
    found: Sequence[Tone],
    band_hz: tuple[float, float],
    weighting: Weighting,
) -> _Residual:
    """Mean squares in the band, weighted: harmonics, and the rest with the gaps under the lines
    filled up by the noise about them."""
    band = spectrum.bins(*band_hz)
    if not band.start <= fundamental.frequency_hz / spectrum.bin_hz < band.stop:
        raise NotMeasured(
            f"a fundamental of {fundamental.frequency_hz:g} Hz",
            expected=f"one within the band, {band_hz[0]:g} Hz to {band_hz[1]:g} Hz",
        )
    power = spectrum.power[band].copy()
    at = np.arange(band.start, band.stop, dtype=np.float64) * spectrum.bin_hz
    inside = [t for t in found if band.start <= t.bins.start and t.bins.stop <= band.stop]
    for tone in (fundamental, *inside):
        start, stop = (max(edge - band.start, 0) for edge in (tone.bins.start, tone.bins.stop))
        power[start:stop] = tone.density
    typical, steady = noise_about(power, spectrum.window.half_lobe_bins)
    weights = power_weights(weighting, at)
    weighted = power * weights
    each = power_weights(weighting, np.array([t.frequency_hz for t in inside])).tolist()
    return _Residual(
        sum(t.square * w for t, w in zip(inside, each, strict=True)),
        math.hypot(0.0, *(t.u_square * w for t, w in zip(inside, each, strict=True))),
        float(weighted.sum()),
        noise_scatter(weighted, typical * weights, steady, spectrum.spread),
    )


def _check_lobes(spectrum: Spectrum, f0: float) -> None:
    periods = f0 / spectrum.bin_hz
    least = 2 * spectrum.window.half_lobe_bins + 2
    if periods < least:
        raise NotMeasured(
            f"{periods:.3g} periods in the record",
            expected=f"at least {least} for the {spectrum.window.name} window",
        )


def _check_strongest(spectrum: Spectrum, fundamental: Tone, wanted_hz: float | None) -> None:
    if wanted_hz is None:
        return
    peak = int(np.argmax(spectrum.power))
    order = peak * spectrum.bin_hz / fundamental.frequency_hz
    if spectrum.power[peak] > fundamental.square and abs(order - round(order)) > 0.05:
        raise NotMeasured(
            f"a stronger tone at {peak * spectrum.bin_hz:.6g} Hz",
            expected=f"{wanted_hz:g} Hz as the strongest",
            hint="aliased, oscillating, or the generator is not set as thought",
        )


def _rms(tone: Tone) -> Bounded:
    return root_of_square(tone.square, tone.u_square, NOISE_UNDER)


def _scaled(bounded: Bounded, scale: UFloat) -> Bounded:
    return Bounded(bounded.value * scale, bounded.bound)


def _over(bounded: Bounded, root: float) -> Bounded:
    return Bounded(bounded.value / root, bounded.bound)


def _floored(raw: Bounded, floor: UFloat | float | None, root: float) -> Bounded:
    ratio = raw.value / root
    floored = above_distortion(ratio, floor)
    return Bounded(floored.value, Bound.AT_MOST) if raw.bound is Bound.AT_MOST else floored


def _together(one: Bounded, other: Bounded) -> Bounded:
    """Root of the sum of two squares of which either may be known as "at most" only.

    Such a part stands for a square anywhere from zero to its own; when it is small beside the
    other part the sum is still a number, otherwise it too is at most.
    """
    total = exactly(0.0)
    most = exactly(0.0)
    open_part = 0.0
    for part in (one, other):
        square = part.value * part.value
        most = most + square
        if part.bound is Bound.AT_MOST:
            b = float(square.nominal_value)
            open_part += b
            total = total + variable(
                b / 2.0, b / math.sqrt(12.0), "part within the floor", "rectangular"
            )
        else:
            total = total + square
    if open_part > 0.2 * float(most.nominal_value):
        return Bounded(umath.sqrt(most), Bound.AT_MOST)
    return Bounded(umath.sqrt(total))


def _check_fit_periods(values: Array, sample_rate_hz: float, frequency_hz: float | None) -> None:
    check_record(values, sample_rate_hz, frequency_hz, False)
    if frequency_hz is None:
        frequency_hz = find_tone(power_spectrum(values, sample_rate_hz, HANN)).frequency_hz
    periods = frequency_hz * values.size / sample_rate_hz
    if periods < LEAST_FIT_PERIODS:
        raise NotMeasured(
            f"{periods:.3g} periods in the record",
            expected=f"at least {LEAST_FIT_PERIODS}, for distortion by sine fits",
            hint="capture a longer record",
        )


def _steady_lines(values: Array, sample_rate_hz: float, f0: float) -> list[float]:
    """Frequencies of the strongest steady lines that are no harmonics of f0, Hz."""
    spectrum = power_spectrum(values, sample_rate_hz, HANN)
    half, bin_hz = HANN.half_lobe_bins, spectrum.bin_hz
    power = spectrum.power[1:]
    _, lines = noise_about(power, half)
    order = np.arange(1, power.size + 1) * bin_hz / f0
    apart = np.abs(order - np.maximum(np.rint(order), 1.0)) * f0 / bin_hz
    wanted = np.where(lines & (apart > 2.0 * half + 1.0), power, 0.0)
    found: list[float] = []
    while len(found) < MOST_LINES and wanted.max() > 0.0:
        peak = int(np.argmax(wanted))
        # The ratio of the two highest bins of a Hann lobe tells where between them the line is.
        side = 1 if power[min(peak + 1, power.size - 1)] >= power[max(peak - 1, 0)] else -1
        ratio = math.sqrt(float(power[min(max(peak + side, 0), power.size - 1)] / power[peak]))
        found.append((peak + 1 + side * (2.0 * ratio - 1.0) / (ratio + 1.0)) * bin_hz)
        wanted[max(peak - half, 0) : peak + half + 1] = 0.0
    return found


def check_agreement(
    spectral: Bounded,
    fitted: Bounded,
    *,
    floor: float = 0.0,
    limit: float | None = None,
    slack: float = 0.0,
) -> None:
    """See that the two ways of reading one record say the same, within their uncertainties.

    A difference matters where it could change a verdict, that is where the limit lies between what
    the two allow, or where both stand above the bench's own distortion. Below that there is nothing
    to agree on.

    Args:
        spectral, fitted: THD by the spectrum and by fits, ratios.
        floor: distortion of generator and digitiser together, ratio.
        limit: the most that is allowed, ratio; None: nothing is judged.
        slack: a difference that bears on nothing that is judged, ratio.

    Raises:
        NotMeasured: they differ where it matters: the record holds what neither allows for.
    """
    one, other = spectral.value, fitted.value
    allowed = COVERAGE_FACTOR * math.hypot(one.std_dev, other.std_dev)
    a, b = float(one.nominal_value), float(other.nominal_value)
    # Beyond chance, one percent between the two is the window's and the fit's own business.
    beyond = abs(a - b) > allowed + 0.01 * max(a, b)
    if spectral.bound is Bound.AT_MOST:
        beyond = fitted.bound is not Bound.AT_MOST and b - a > allowed
    elif fitted.bound is Bound.AT_MOST:
        beyond = a - b > allowed
    near = limit is not None and min(a, b) - allowed <= limit <= max(a, b) + allowed
    beyond &= abs(a - b) > slack
    if beyond and (near or min(a, b) > floor):
        raise NotMeasured(
            f"distortion is {100.0 * a:.3g} % by the spectrum and {100.0 * b:.3g} % by sine fits",
            expected="the same by both",
            hint="an unsteady tone, oscillation, or a second tone in the record",
        )


@dataclass(frozen=True, slots=True)
class FittedDistortion:
    """THD and THD+N by the sine-fit path; the band of THD+N is 0 to half the sample rate."""

    fundamental_hz: UFloat
    fundamental_rms: UFloat
    harmonic_rms: tuple[float, ...]  # from the second on
    thd: Bounded
    thd_n: UFloat


def distortion_by_fit(
    values: Array,
    sample_rate_hz: float,
    frequency_hz: float | None = None,
    *,
    harmonics: int = HARMONICS,
    gain: UFloat | None = None,
    clipped: bool = False,
    floor_thd: UFloat | float | None = None,
) -> FittedDistortion:
    """THD and THD+N by least squares: a four-parameter sine fit, then all harmonics at once.

    No window and no leakage. Steady lines that are no harmonics (hum) are found in the record's
    spectrum and fitted along; what then is left is taken as white noise: each harmonic's peak has
    u = σ√(2/N), and its mean square is cleared of σ²·2/N (IEEE 1057).

    Args:
        values: samples, shape (points,).
        sample_rate_hz: samples per second.
        frequency_hz: of the tone, Hz, when known; None: the strongest line.
        harmonics: up to which multiple, the tone itself being the first.
        gain: vertical gain of mean 1.
        clipped: whether the converter ran out of range.
        floor_thd: distortion of generator and digitiser together, ratio.

    Raises:
        NotMeasured: as :func:`distortion`; fewer than :data:`LEAST_FIT_PERIODS` periods, for
            harmonics over a broken period pull the frequency, which is fitted without them, by too
            much; or no harmonic below half the sample rate.
    """
    _check_fit_periods(values, sample_rate_hz, frequency_hz)
    sine = fit_sine_4(values, sample_rate_hz, frequency_hz, gain=gain, clipped=clipped)
    f0 = float(sine.frequency_hz.nominal_value)
    omega = 2.0 * math.pi * f0 / sample_rate_hz
    orders = [n for n in range(1, harmonics + 1) if n * omega < math.pi * 0.999]
    if len(orders) < 2:
        raise NotMeasured(
            f"no harmonic of {f0:g} Hz below half the sample rate ({sample_rate_hz / 2:g} Hz)",
            expected="a sample rate above four times the tone",
        )
    rec = tones.record(values)
    steady = _steady_lines(values, sample_rate_hz, f0)
    omegas = [n * omega for n in orders] + [2.0 * math.pi * f / sample_rate_hz for f in steady]
    fit = tones.fit_tones(rec, omegas)
    free = max(fit.points - 2 * len(omegas) - 2, 1)
    variance = fit.residual_square / free
    every = [abs(p) ** 2 / 2.0 for p in fit.phasors]
    squares, others = every[: len(orders)], sum(every[len(orders) :])
    bias = 2.0 * variance / fit.points  # of each mean square
    square = sum(squares[1:]) - bias * (len(orders) - 1)
    u_square = math.sqrt(2.0 * max(square, 0.0) * bias + (len(orders) - 1) * bias**2)
    root = math.sqrt(squares[0])
    thd = _floored(root_of_square(square, u_square, NOISE_UNDER), floor_thd, root)
    residual = sum(squares[1:]) + others + fit.residual_square / fit.points
    u_residual = math.sqrt(
        2.0 * variance**2 / fit.points + 2.0 * (max(square, 0.0) + others) * bias
    )
    rest = math.sqrt(residual)
    return FittedDistortion(
        sine.frequency_hz,
        sine.rms,
        tuple(math.sqrt(s) for s in squares[1:]),
        thd,
        variable(rest / root, u_residual / (2.0 * rest * root) if rest > 0.0 else 0.0, STATISTICS),
    )
