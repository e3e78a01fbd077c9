"""Power spectrum of a record, and tones found in it.

Scale: ``power[k]`` is a mean square, in V²; its sum over a band is the mean square in that band, of
tones and noise alike, whatever the window.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import NotMeasured
from seqrun.measure.windows import BLACKMAN_HARRIS, Window

Array = NDArray[np.float64]
CHUNK = 8192
#: for power that falls off exponentially about its mean (a noise bin), median = mean · ln 2
MEDIAN_OF_NOISE = math.log(2.0)
TENTH_OF_NOISE = -math.log(0.9)  # and its tenth part
BLOCK = 101  # bins whose noise is taken as one
LINE = 20.0  # times the noise about it: noise alone does that in one bin of 10⁸


@dataclass(frozen=True)
class Spectrum:
    """One-sided power spectrum. ``power`` has shape (points//2 + 1,), V² per bin."""

    power: Array
    bin_hz: float
    points: int
    window: Window

    @cached_property
    def spread(self) -> float:
        return self.window.spread

    @property
    def frequency_hz(self) -> Array:
        """Frequency of each bin, Hz."""
        return np.arange(self.power.size, dtype=np.float64) * self.bin_hz

    def bins(self, low_hz: float, high_hz: float) -> slice:
        """The bins from low to high, both included."""
        low = max(math.ceil(low_hz / self.bin_hz - 1e-9), 1)
        high = min(math.floor(high_hz / self.bin_hz + 1e-9), self.power.size - 1)
        return slice(low, max(high + 1, low))

    def line_rms(self) -> Array:
        """What a tone on a bin's centre reads there, V rms: for plots (shape as power)."""
        lines: Array = np.sqrt(self.power * self.window.noise_bandwidth_bins)
        return lines


def power_spectrum(
    values: Array, sample_rate_hz: float, window: Window = BLACKMAN_HARRIS
) -> Spectrum:
    """Power spectrum of a record, its mean under the window taken out: mean square in each bin.

    Args:
        values: samples, shape (points,); the spectrum has their unit, squared.
        sample_rate_hz: samples per second.
        window: what the record is weighted with.

    The window is applied after the transform: a cosine sum is a short convolution of bins, which
    needs no array of its own and touches each bin while it is in the cache.
    """
    points = values.size
    raw = np.fft.rfft(values)
    # The plain mean of a broken number of periods is not zero; taking that out would put a line
    # where there is none. The mean under the window is: that which makes bin 0 vanish.
    raw[0] = (
        -sum((-1.0) ** k * a * raw[k].real for k, a in enumerate(window.coefficients[1:], start=1))
        / window.coefficients[0]
    )
    reach = len(window.coefficients) - 1
    size = raw.size
    # A real record continues beyond both ends as its own mirror image.
    mirrored = size - 2 if points % 2 == 0 else size - 1
    before = np.conj(raw[1 : reach + 1][::-1])
    after = np.conj(raw[mirrored - reach + 1 : mirrored + 1][::-1])
    power = np.empty(size)
    for start in range(0, size, CHUNK):
        stop = min(start + CHUNK, size)
        low, high = start - reach, stop + reach
        part = raw[max(low, 0) : min(high, size)]
        if low < 0:
            part = np.concatenate([before[low:], part])
        if high > size:
            part = np.concatenate([part, after[: high - size]])
        length = stop - start
        total = window.coefficients[0] * part[reach : reach + length]
        for k, a in enumerate(window.coefficients[1:], start=1):
            pair = part[reach - k : reach - k + length] + part[reach + k : reach + k + length]
            pair *= (-1.0) ** k * a / 2.0
            total += pair
        np.square(total.real, out=power[start:stop])
        power[start:stop] += np.square(total.imag)
    power *= 2.0 / (float(points) * points * window.mean_square)
    if points % 2 == 0:
        power[-1] /= 2.0
    return Spectrum(power, sample_rate_hz / points, points, window)


def noise_about(power: Array, lobe_bins: int) -> tuple[Array, NDArray[np.bool_]]:
    """Steady lines told from noise: the noise per bin about each bin, and which bins are lines.

    A line is what stands :data:`LINE` times above the noise about it, and its lobe. The noise is
    the median of blocks of bins; where lines fill most of a block (hum and its multiples in a short
    record) the quietest tenth tells them first.

    Args:
        power: neighbouring bins of a spectrum before any weighting, shape (bins,).
        lobe_bins: half a lobe of the window.
    """
    size = min(BLOCK, power.size)
    # The last block reaches back, so that it is a whole one.
    starts = np.minimum(np.arange(0, power.size, size), power.size - size)
    inside = starts[:, None] + np.arange(size)
    blocks = power[inside]
    rank = int(0.1 * (size - 1))
    level = np.partition(blocks, rank, axis=1)[:, rank] / TENTH_OF_NOISE
    lines = _lobes(power, np.repeat(level, size)[: power.size], lobe_bins)
    # Where nearly all of a block is line, its quiet bins are too few to be asked again.
    apart = lines[inside] & ((~lines[inside]).sum(axis=1) >= 5)[:, None]
    quiet = np.sort(np.where(apart, np.inf, blocks), axis=1)
    middle = ((~apart).sum(axis=1) - 1) // 2
    level = quiet[np.arange(starts.size), middle] / MEDIAN_OF_NOISE
    typical = np.repeat(level, size)[: power.size]
    return typical, _lobes(power, typical, lobe_bins)


def _lobes(power: Array, typical: Array, lobe_bins: int) -> NDArray[np.bool_]:
    """Bins that stand out as lines, and their lobes."""
    lines = power > LINE * typical
    if lines.any():
        lines = np.convolve(lines, np.ones(2 * lobe_bins - 1, dtype=np.int64), mode="same") > 0
    return lines


def noise_scatter(power: Array, typical: Array, lines: NDArray[np.bool_], spread: float) -> float:
    """Standard uncertainty of a sum of bins from the noise in them, in the unit of power.

    E[p²] of a noise bin is twice its squared mean. A steady line has no such scatter: it only beats
    with the noise under it, by 2·line·noise a bin.

    Args:
        power: the bins that were summed. typical, lines: from :func:`noise_about`, weighted alike.
        spread: :attr:`seqrun.measure.windows.Window.spread`.
    """
    noise, steady = power[~lines], power[lines]
    beats = 2.0 * float(steady @ typical[lines])
    return math.sqrt((float(noise @ noise) / 2.0 + beats) * spread)


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone in a spectrum: ``square`` is its mean square with the noise under it taken out (may
    come out negative when there is no tone), ``u_square`` its standard uncertainty from noise,
    ``bins`` the lobe it fills, ``density`` the noise per bin about it."""

    frequency_hz: float
    square: float
    u_square: float
    bins: slice
    density: float


def tone_at(spectrum: Spectrum, frequency_hz: float, guard_hz: float | None = None) -> Tone:
    """The tone at a known frequency.

    Args:
        frequency_hz: right to about a tenth of a bin.
        guard_hz: how far the neighbourhood that noise is judged from may reach (half the distance
            to the next tone); None = sixteen lobes.

    Raises:
        NotMeasured: outside the spectrum, or so near to its ends that the lobe is cut.
    """
    half = spectrum.window.half_lobe_bins
    centre = frequency_hz / spectrum.bin_hz
    low, high = math.ceil(centre - half), math.floor(centre + half) + 1
    if low < 1 or high > spectrum.power.size:
        raise NotMeasured(
            f"a tone of {frequency_hz:g} Hz in a spectrum up to "
            f"{(spectrum.power.size - 1) * spectrum.bin_hz:g} Hz, {spectrum.bin_hz:g} Hz per bin",
            expected="a tone inside it (aliased, or the record is too short)",
        )
    reach = 16 * half if guard_hz is None else int(guard_hz / spectrum.bin_hz)
    reach = min(max(reach, half + 2), 512)
    around = np.concatenate(
        [
            spectrum.power[max(low - reach + half, 1) : low],
            spectrum.power[high : high + reach - half],
        ]
    )
    density = float(np.median(around)) / MEDIAN_OF_NOISE if around.size else 0.0
    lobe = high - low
    square = float(spectrum.power[low:high].sum()) - lobe * density
    spread = spectrum.spread
    variance = 2.0 * max(square, 0.0) * density * spread + lobe * spread * density**2 * (
        1.0 + lobe / max(around.size, 1)
    )
    return Tone(frequency_hz, square, math.sqrt(variance), slice(low, high), density)


def find_tone(
    spectrum: Spectrum, near_hz: float | None = None, within_hz: float | None = None
) -> Tone:
    """The strongest tone, or the strongest near ``near_hz``: within 2 % or ``within_hz``,
    whichever is less (two lobes at the least).

    Args:
        spectrum: of a record with a steady tone.
        near_hz, within_hz: where to look, Hz; None: everywhere above DC.

    Raises:
        NotMeasured: nothing there that stands out of the noise.
    """
    half = spectrum.window.half_lobe_bins
    if near_hz is None:
        low, high = half + 1, spectrum.power.size - half
    else:
        centre = near_hz / spectrum.bin_hz
        width = 0.02 * centre
        if within_hz is not None:
            width = min(width, within_hz / spectrum.bin_hz)
        width = max(width, 2.0 * half if within_hz is None else half)
        low = max(math.floor(centre - width), 1)
        high = min(math.ceil(centre + width) + 1, spectrum.power.size)
    if high <= low:
        raise NotMeasured(
            f"no room for a tone near {near_hz} Hz", expected="a tone below half the sample rate"
        )
    peak = low + int(np.argmax(spectrum.power[low:high]))
    left, right = max(peak - half, 1), min(peak + half + 1, spectrum.power.size)
    lobe = spectrum.power[left:right]
    weight = float(lobe.sum())
    if not weight > 0.0:
        raise NotMeasured("a flat record", expected="a tone")
    centroid = float(lobe @ np.arange(left, right)) / weight
    tone = tone_at(spectrum, centroid * spectrum.bin_hz)
    if tone.square <= 6.0 * tone.u_square or tone.square <= 10.0 * tone.density:
        raise NotMeasured(
            "no tone stands out of the noise"
            + (f" near {near_hz:g} Hz" if near_hz is not None else ""),
            expected="a steady tone",
            hint="generator off, lead off, or the wrong channel",
        )
    return tone
