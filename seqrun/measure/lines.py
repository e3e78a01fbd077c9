"""Lines in a noise record: hum of the mains and its multiples, whine of a switching supply."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure.bounds import Bounded, above_noise, root_of_square
from seqrun.measure.sinefit import check_record
from seqrun.measure.spectrum import MEDIAN_OF_NOISE, power_spectrum, tone_at
from seqrun.measure.windows import BLACKMAN_HARRIS, HANN
from seqrun.values import Bound

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Counts = NDArray[np.int64]
#: mains frequency is kept within ±1 % nearly always (EN 50160: ±1 % for 99.5 % of a year)
MAINS_TOLERANCE = 0.01
MAINS_HZ = (50.0, 60.0)
FOLDED_HZ = 5000.0  # samples per second that hold ten multiples of either
UNDER_HUM = "noise under the hum"
FALSE_ALARMS = 0.01  # lines that noise alone may make in a record
LEAST_PERIODS = 10.0  # of the mains, so that its lines stand apart (0.2 s)
#: a line on the instrument itself, this strong against the one found, explains it
SAME_LINE_SHARE = 0.3
#: times its noise's u; at 2 one silent channel in twenty would have a tone, and the hum that was
#: looked for within ±1 % of the mains would be what chance has put there
TONE_STANDS_OUT = 5.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its frequency and rms, V."""

    frequency_hz: float
    rms: Bounded


@dataclass(frozen=True, slots=True)
class Hum:
    """Hum: the lines at multiples of the mains, and the root of their summed mean squares, V.

    ``rectified_share`` is the share of the even multiples (100 Hz or 120 Hz and up: reservoir
    capacitors) in the summed mean square; the rest (50 Hz or 60 Hz) points to ground loops and
    stray fields. ``mains_v`` is the rms of the mains' own line, as read.
    """

    mains_hz: float
    lines: tuple[Line, ...]
    total: Bounded
    rectified_share: float
    mains_v: float


def hum(
    volts: Array,
    sample_rate_hz: float,
    *,
    mains_hz: float = 50.0,
    multiples: int = 10,
    gain: UFloat | None = None,
    floor: UFloat | float | None = None,
    clipped: bool = False,
) -> Hum:
    """Hum in a noise record.

    The mains frequency is first found within ±1 % by what all its multiples hold together; then
    each line is read with the noise under it taken out.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz: samples per second.
        mains_hz: 50 or 60.
        multiples: how many, the mains itself included.
        gain: vertical gain of mean 1.
        floor: the scope's own hum, V rms.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped, or a record shorter than ten mains periods.
    """
    check_record(volts, sample_rate_hz, mains_hz, clipped)
    window = HANN
    periods = mains_hz * volts.size / sample_rate_hz
    if periods < LEAST_PERIODS:
        raise NotMeasured(
            f"{periods:.3g} mains periods in the record", expected=f"at least {LEAST_PERIODS:g}"
        )
    spectrum = power_spectrum(volts, sample_rate_hz, window)
    orders = [n for n in range(1, multiples + 1) if n * mains_hz * 1.02 < sample_rate_hz / 2.0]
    at = _mains(spectrum.power, spectrum.bin_hz, mains_hz, orders)
    found = [tone_at(spectrum, n * at, at / 2.0) for n in orders]
    scale = gain if gain is not None else 1.0
    lines = []
    for tone in found:
        one = root_of_square(tone.square, tone.u_square, UNDER_HUM, TONE_STANDS_OUT)
        lines.append(Line(tone.frequency_hz, Bounded(one.value * scale, one.bound)))
    square = sum(t.square for t in found)
    u_square = math.hypot(*(t.u_square for t in found))
    total = root_of_square(square, u_square, UNDER_HUM, TONE_STANDS_OUT)
    scaled = Bounded(total.value * scale, total.bound)
    even = sum(t.square for t, n in zip(found, orders, strict=True) if n % 2 == 0)
    if total.bound is Bound.EXACT:
        scaled = above_noise(scaled.value, floor)
    share = min(max(even / square, 0.0), 1.0) if square > 0.0 else 0.0
    return Hum(at, tuple(lines), scaled, share, math.sqrt(max(found[0].square, 0.0)))


def _mains(power: Array, bin_hz: float, mains_hz: float, orders: list[int]) -> float:
    """Mains frequency near the nominal one, by the summed power at its multiples."""
    trials = mains_hz * (1.0 + MAINS_TOLERANCE * np.linspace(-1.0, 1.0, 201))
    bins = np.rint(np.outer(trials, orders) / bin_hz).astype(np.int64)
    inside = np.minimum(bins, power.size - 1)
    scores = power[inside].sum(axis=1)
    best = scores >= scores.max() * (1.0 - 1e-12)
    coarse = float(trials[best].mean())
    # Centroid of the strongest multiple: exact to a small part of a bin.
    strongest = max(
        orders, key=lambda n: float(power[min(round(n * coarse / bin_hz), power.size - 1)])
    )
    centre = round(strongest * coarse / bin_hz)
    lobe = slice(max(centre - 2, 1), centre + 3)
    part = power[lobe]
    if not part.sum() > 0.0:
        return coarse
    exact = float(part @ np.arange(lobe.start, lobe.start + part.size)) / float(part.sum())
    refined = exact * bin_hz / strongest
    return refined if abs(refined - coarse) < bin_hz else coarse


def hum_wave(
    volts: Array, sample_rate_hz: float, *, multiples: int = 10, least_share: float = 0.0
) -> Array | None:
    """The part of a record that is hum: the sines at the multiples of 50 Hz or 60 Hz, whichever
    hold more, by least squares.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz: samples per second.
        multiples: how many of the mains' multiples are looked at.
        least_share: of the record's mean square, that hum has to be.

    Returns:
        Shape (points,), V; None where hum is less, or the record has fewer than ten periods.
    """
    fold = max(int(sample_rate_hz / FOLDED_HZ), 1)
    few = volts[: volts.size // fold * fold].reshape(-1, fold) @ np.full(fold, 1.0 / fold)
    rate = sample_rate_hz / fold
    if few.size * MAINS_HZ[0] < LEAST_PERIODS * rate:
        return None
    few = few - few.mean()
    power = np.square(np.abs(np.fft.rfft(few * np.hanning(few.size))))
    bin_hz, orders = rate / few.size, np.arange(1, multiples + 1)

    def held(at_hz: float) -> float:
        bins = np.rint(at_hz * orders / bin_hz).astype(np.int64)
        lobes = np.unique(np.minimum(np.add.outer(bins, np.arange(-2, 3)), power.size - 1))
        return float(power[lobes].sum())

    mains_hz = max((_mains(power, bin_hz, near, orders.tolist()) for near in MAINS_HZ), key=held)
    square, every = held(mains_hz), float(power.sum())
    if not square * float(np.var(few)) > least_share * every * float(np.var(volts)):
        return None
    inside = orders[orders * mains_hz < rate / 2.5]
    parts = _amplitudes(few, mains_hz / rate, inside)
    parts /= np.sinc(inside * mains_hz / rate)  # of the mean over what was folded
    middle = 0.5 * (few.size * fold - 1)
    fine, coarse = _turning(mains_hz / sample_rate_hz, volts.size, middle, inside)
    coarse *= parts
    # Re(a·b) = Re a·Re b - Im a·Im b, for all multiples by one product of matrices.
    left = np.concatenate([coarse.real, -coarse.imag], axis=1)
    wave: Array = (left @ np.concatenate([fine.real, fine.imag], axis=1).T).reshape(-1)
    return wave[: volts.size]


def _turning(turns: float, points: int, middle: float, orders: Counts) -> tuple[Complex, Complex]:
    """exp(2πi·n·turns·(k - middle)) for k of 0 … points - 1 and each order n, in two factors: one
    within a row of k, shape (row, orders), and one for each row, shape (rows, orders)."""
    row = math.isqrt(points) + 1
    angles = 2j * math.pi * turns * orders
    fine = np.exp(np.multiply.outer(np.arange(row), angles))
    return fine, np.exp(np.multiply.outer(np.arange(0, points, row) - middle, angles))


def _amplitudes(values: Array, turns: float, orders: Counts) -> Complex:
    """The amplitudes c by which Σ Re(c·exp(2πi·n·turns·m)), m from the middle of ``values``, comes
    nearest to them: least squares, as :mod:`seqrun.measure.tones` has it, all orders at once."""
    fine, coarse = _turning(turns, values.size, 0.5 * (values.size - 1), orders)
    rows = np.zeros((coarse.shape[0], fine.shape[0]))
    rows.reshape(-1)[: values.size] = values
    right = np.einsum("rn,rn->n", rows @ fine, coarse)
    halves = math.pi * turns * np.arange(1, 2 * int(orders.max(initial=0)) + 1)
    kernel = np.concatenate([[values.size], np.sin(values.size * halves) / np.sin(halves)])
    apart = kernel[np.abs(np.subtract.outer(orders, orders))]
    together = kernel[np.add.outer(orders, orders)]
    cosines = np.linalg.solve((apart + together) / 2.0, right.real)
    sines = np.linalg.solve((apart - together) / 2.0, right.imag)
    amplitudes: Complex = cosines - 1j * sines
    return amplitudes


def threshold(bins: float, false_alarms: float = FALSE_ALARMS) -> float:
    """How many times the noise in a bin a line must have, to be one: what noise alone would exceed
    ``false_alarms`` times in so many bins, ln(bins/false_alarms) for exponentially distributed
    power, and 15 % more since the noise about a line is known no better than to a tenth."""
    return math.log(bins / false_alarms) * 1.15


def find_lines(
    volts: Array,
    sample_rate_hz: float,
    *,
    low_hz: float = 1000.0,
    high_hz: float | None = None,
    false_alarms: float = FALSE_ALARMS,
    gain: UFloat | None = None,
    most: int = 10,
    clipped: bool = False,
) -> tuple[Line, ...]:
    """Lines that stand out of the noise: the whine of a switching supply, strongest first.

    A bin is part of a line when it exceeds the noise about it (running median) by the factor of
    :func:`threshold`.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz: samples per second; lines above half of it fold down and are not told apart.
        low_hz, high_hz: where to look (None: half the sample rate).
        gain: vertical gain of mean 1.
        most: how many lines at the most.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped, or a band of fewer than 200 bins.
    """
    check_record(volts, sample_rate_hz, None, clipped)
    spectrum = power_spectrum(volts, sample_rate_hz, BLACKMAN_HARRIS)
    half = spectrum.window.half_lobe_bins
    top = high_hz if high_hz is not None else sample_rate_hz / 2.0
    band = spectrum.bins(low_hz, min(top, (spectrum.power.size - 2 - 2 * half) * spectrum.bin_hz))
    power = spectrum.power[band]
    if power.size < 200:
        raise NotMeasured(f"{power.size} bins in the band", expected="a longer record")
    # Neighbouring bins of a windowed spectrum share their chance, so a median of this many is
    # good to a tenth.
    size = 401 if power.size >= 401 else 101
    blocks = power[: power.size - power.size % size].reshape(-1, size)
    typical = np.repeat(np.median(blocks, axis=1) / MEDIAN_OF_NOISE, size)
    typical = np.concatenate([typical, np.full(power.size - typical.size, float(typical[-1]))])
    over = power > typical * threshold(power.size, false_alarms)
    scale = gain if gain is not None else 1.0
    taken = np.zeros(power.size, dtype=bool)
    found: list[Line] = []
    candidates = np.flatnonzero(over)
    for k in candidates[np.argsort(power[candidates])[::-1]].tolist():
        if taken[k] or len(found) >= most:
            continue
        taken[max(k - 2 * half, 0) : k + 2 * half + 1] = True
        lobe = slice(max(k - half, 0), k + half + 1)
        part = power[lobe]
        centre = float(part @ np.arange(lobe.start, lobe.start + part.size)) / float(part.sum())
        tone = tone_at(spectrum, (band.start + centre) * spectrum.bin_hz)
        one = root_of_square(tone.square, tone.u_square, "noise under the line")
        found.append(Line(tone.frequency_hz, Bounded(one.value * scale, one.bound)))
    return tuple(found)


def not_among(lines: Sequence[Line], own: Sequence[Line], width_hz: float) -> tuple[Line, ...]:
    """The lines that the instrument's own, read beside them, do not explain.

    Args:
        own: lines of the instrument itself.
        width_hz: nearer than this, two lines are one.
    """

    def explained(line: Line) -> bool:
        level = SAME_LINE_SHARE * float(line.rms.value.nominal_value)
        return any(
            abs(line.frequency_hz - other.frequency_hz) < width_hz
            and other.rms.value.nominal_value > level
            for other in own
        )

    return tuple(line for line in lines if not explained(line))


def tone_in_noise(
    volts: Array,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    gain: UFloat | None = None,
    clipped: bool = False,
) -> Bounded:
    """rms of a tone of known frequency, V; "at most" where noise hides it.

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz, frequency_hz: samples and periods per second, of one clock.
        gain: vertical gain of mean 1.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped or aliased.
    """
    check_record(volts, sample_rate_hz, frequency_hz, clipped)
    tone = tone_at(power_spectrum(volts, sample_rate_hz), frequency_hz)
    found = root_of_square(tone.square, tone.u_square, "noise under the tone", TONE_STANDS_OUT)
    return Bounded(found.value * gain if gain is not None else found.value, found.bound)
