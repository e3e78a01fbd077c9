"""Windows with their figures, and the choice between coherent sampling and a window.

All are sums of cosines, ``w[n] = Σ (−1)^k a_k cos(2πkn/N)`` (periodic form). Figures after
F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform",
Proc. IEEE 66 (1978) 51-83; the seven-term one after H.-H. Albrecht, "A family of cosine-sum
windows for high-resolution measurements", ICASSP 2001.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import NotMeasured

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Window:
    """A cosine-sum window.

    ``highest_side_lobe_db``: largest side lobe against the main lobe (the stated leakage).
    """

    name: str
    coefficients: tuple[float, ...]
    highest_side_lobe_db: float

    @property
    def coherent_gain(self) -> float:
        """Mean of the window: what a tone's line is multiplied by."""
        return self.coefficients[0]

    @property
    def mean_square(self) -> float:
        """Mean square of the window: what noise power is multiplied by."""
        first, *rest = self.coefficients
        return first * first + sum(a * a for a in rest) / 2.0

    @property
    def noise_bandwidth_bins(self) -> float:
        """Equivalent noise bandwidth, bins."""
        return self.mean_square / self.coherent_gain**2

    @property
    def spread(self) -> float:
        """Mean fourth power over squared mean square: by how much neighbouring bins of noise
        share their chance, so that the variance of a sum of noise bins is that times Σ p²."""
        w = samples(self, 16 * len(self.coefficients))  # exact: 4·K < 16·K points
        return float(np.mean(w**4)) / self.mean_square**2

    @property
    def half_lobe_bins(self) -> int:
        """Bins from the centre of the main lobe to its first zero."""
        return len(self.coefficients)

    def response(self, offset_bins: float) -> float:
        """Transform of the window at a distance from a tone, over its coherent gain (N → ∞)."""
        total = self.coefficients[0] * _sinc(offset_bins)
        for k, a in enumerate(self.coefficients[1:], start=1):
            total += a / 2.0 * (_sinc(offset_bins - k) + _sinc(offset_bins + k))
        return total / self.coherent_gain

    @property
    def scalloping_loss_db(self) -> float:
        """Drop of a tone half-way between two bins, dB (a positive number)."""
        return -20.0 * math.log10(abs(self.response(0.5)))

    def leakage(self, offset_bins: float) -> float:
        """Share of a tone's mean square that falls outside its main lobe, when the tone lies
        ``offset_bins`` off a bin's centre. 0 for a tone on the centre."""
        half = self.half_lobe_bins
        inside = sum(
            self.response(k - offset_bins) ** 2
            for k in range(math.ceil(offset_bins - half), math.floor(offset_bins + half) + 1)
        )
        outside = 1.0 - inside / self.noise_bandwidth_bins
        return outside if outside > 1e-14 else 0.0


def _sinc(x: float) -> float:
    """sin(πx)/(πx) of one number, where an array is much more work."""
    return math.sin(math.pi * x) / (math.pi * x) if x else 1.0


RECTANGULAR = Window("rectangular", (1.0,), -13.3)
HANN = Window("hann", (0.5, 0.5), -31.5)
HAMMING = Window("hamming", (0.54, 0.46), -42.7)
BLACKMAN = Window("blackman", (0.42, 0.5, 0.08), -58.1)
BLACKMAN_HARRIS = Window("blackman_harris", (0.35875, 0.48829, 0.14128, 0.01168), -92.0)
FLAT_TOP = Window(
    "flat_top", (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368), -93.0
)
BLACKMAN_HARRIS_7 = Window(
    "blackman_harris_7",
    (
        0.27105140069342,
        0.43329793923448,
        0.21812299954311,
        0.06592544638803,
        0.01081174209837,
        0.00077658482522,
        0.00001388721735,
    ),
    -180.0,
)
WINDOWS = {
    w.name: w
    for w in (RECTANGULAR, HANN, HAMMING, BLACKMAN, BLACKMAN_HARRIS, FLAT_TOP, BLACKMAN_HARRIS_7)
}


def samples(window: Window, points: int) -> Array:
    """The window's samples, shape (points,)."""
    turn = 2.0 * math.pi * np.arange(points) / points
    shape = np.zeros(points)
    for k, a in enumerate(window.coefficients):
        shape += (-1.0) ** k * a * np.cos(k * turn)
    return shape


@dataclass(frozen=True, slots=True)
class CoherentSetting:
    """A tone that fits a record: ``cycles`` whole periods in ``points`` samples."""

    frequency_hz: float
    cycles: int
    points: int


def coherent_setting(
    wanted_hz: float, sample_rate_hz: float, points: int, resolution_hz: float = 0.0
) -> CoherentSetting:
    """The frequency nearest to the wanted one that puts a whole number of periods into a record.

    The number of periods is made coprime to the number of points where a neighbour within 2 % or
    two periods allows, so that no two periods are sampled at the same phases (IEEE 1241).

    Args:
        wanted_hz, sample_rate_hz: periods and samples per second.
        points: record length.
        resolution_hz: the generator's frequency step; 0 when it is fine enough not to matter.

    Raises:
        NotMeasured: less than one period, at or above half the sample rate, or a generator step
            too coarse for any whole number of periods within a tenth of the wanted frequency, or
            one period where that is more.
    """
    ideal = wanted_hz * points / sample_rate_hz
    if ideal < 1.0 or ideal >= points / 2.0:
        raise NotMeasured(
            f"{ideal:.3g} periods of {wanted_hz:g} Hz in {points} points",
            expected="at least one period, and more than two samples per period",
        )
    reach = max(0.1 * ideal, 1.0)
    lowest, highest = math.ceil(ideal - reach), math.floor(ideal + reach)
    candidates = sorted(
        range(max(lowest, 1), min(highest, (points - 1) // 2) + 1), key=lambda c: abs(c - ideal)
    )
    fitting = [c for c in candidates if _reachable(c * sample_rate_hz / points, resolution_hz)]
    if not fitting:
        raise NotMeasured(
            f"no whole number of periods near {wanted_hz:g} Hz in steps of {resolution_hz:g} Hz",
            expected="a finer generator step or another record length",
        )
    near = [c for c in fitting if abs(c - ideal) <= max(0.02 * ideal, 2.0)]
    best = next((c for c in near if math.gcd(c, points) == 1), fitting[0])
    return CoherentSetting(best * sample_rate_hz / points, best, points)


def _reachable(frequency_hz: float, resolution_hz: float) -> bool:
    if resolution_hz <= 0.0:
        return True
    steps = frequency_hz / resolution_hz
    return abs(steps - round(steps)) < 1e-6


def choose(cycles: float, clock_tolerance: float, dynamic_range_db: float) -> Window:
    """Coherent sampling when the clocks allow it, otherwise the narrowest window that serves.

    Without a window, a tone that misses a whole number of periods by δ leaks sin(πδ)/(πd) of
    itself into a line d bins away; this asks that at d = 1 it stay under the wanted range.

    Args:
        cycles: periods in the record, as set.
        clock_tolerance: by how much generator and digitiser clocks may differ, as a ratio; 0 when
            they share one reference.
        dynamic_range_db: how far below the tone lines must still be told from leakage, dB (> 0).
    """
    miss = abs(cycles - round(cycles)) + cycles * clock_tolerance
    if miss <= 10.0 ** (-dynamic_range_db / 20.0):
        return RECTANGULAR
    for window in (HANN, HAMMING, BLACKMAN, BLACKMAN_HARRIS):
        if -window.highest_side_lobe_db >= dynamic_range_db:
            return window
    return BLACKMAN_HARRIS_7
