"""Distortion against Fourier's series and SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from seqrun.measure import windows
from seqrun.measure.clipping import (
    clip_ratio_at_thd,
    clipped_power_ratio,
    clipped_thd,
    power_ratio_at_thd,
)
from seqrun.measure.distortion import distortion, distortion_by_fit
from seqrun.measure.sinefit import fit_sine_4
from seqrun.measure.spectrum import power_spectrum

# Fourier series, any handbook; computed from the published series.
IDEAL_THD = {"square": 0.48343, "triangle": 0.12115, "sawtooth": 0.80308}
# Fourier analysis of the hard-clipped sine: THD -> clip level over peak, and power over that of
# the sine that just reaches the clip level; computed.
CLIPPED = {0.01: (0.97149, 1.0475), 0.03: (0.92622, 1.1119), 0.10: (0.77865, 1.2878)}


def fourier_sum(shape: str, orders: int, cycles: int, points: int) -> np.ndarray:
    """The shape's Fourier series cut after ``orders``, whole periods of it."""
    lines = np.zeros(points // 2 + 1, dtype=complex)
    for n in range(1, orders + 1):
        if shape == "sawtooth" or n % 2:
            lines[n * cycles] = 1.0 / n**2 if shape == "triangle" else -1j / n
    return np.fft.irfft(lines) * points / 2.0


@pytest.mark.parametrize(("shape", "thd"), IDEAL_THD.items())
def test_thd_of_ideal_shapes(shape: str, thd: float) -> None:
    orders, cycles, points = 1999, 40, 1 << 18
    found = distortion(
        fourier_sum(shape, orders, cycles, points),
        float(points),
        float(cycles),
        harmonics=orders,
        window=windows.RECTANGULAR,
    )
    # The sum of the series beyond the last order is known: it is the only difference allowed.
    tail = {"square": 1.0 / (2 * orders), "triangle": 0.0, "sawtooth": 1.0 / orders}[shape]
    assert math.hypot(found.thd.value.nominal_value, math.sqrt(tail)) == pytest.approx(
        thd, abs=2e-5
    )


@pytest.mark.parametrize(("thd", "expected"), CLIPPED.items())
def test_clip_level_of_a_clipped_sine_at_a_stated_thd(
    thd: float, expected: tuple[float, float]
) -> None:
    assert clip_ratio_at_thd(thd) == pytest.approx(expected[0], abs=1e-5)


@pytest.mark.parametrize(("thd", "expected"), CLIPPED.items())
def test_power_of_a_clipped_sine_over_the_onset_of_clipping(
    thd: float, expected: tuple[float, float]
) -> None:
    assert power_ratio_at_thd(thd) == pytest.approx(expected[1], abs=1e-4)


def test_power_at_ten_percent_distortion_is_1_29_times_clipping_onset() -> None:
    assert power_ratio_at_thd(0.10) == pytest.approx(1.29, abs=0.005)


@pytest.mark.parametrize("clip", [0.3, 0.77865, 0.92622, 0.97149, 0.999])
def test_closed_form_of_the_clipped_sine_is_that_of_its_samples(clip: float) -> None:
    points = 1 << 16
    wave = np.clip(np.sin(2.0 * np.pi * (np.arange(points) + 0.5) / points), -clip, clip)
    lines = np.abs(np.fft.rfft(wave)) / points * 2.0
    assert clipped_thd(clip) == pytest.approx(np.linalg.norm(lines[2:]) / lines[1], rel=1e-6)
    assert clipped_power_ratio(clip) == pytest.approx(2.0 * np.mean(wave**2) / clip**2, rel=1e-7)


@pytest.mark.parametrize("thd", [0.01, 0.03, 0.10])
@pytest.mark.parametrize("path", ["spectrum", "fit"])
def test_a_clipped_sine_is_read_as_the_thd_that_it_has(thd: float, path: str) -> None:
    # 0.01 rad per sample: alias products of the clip's corners lie far below the tolerance.
    points, cycles = 200_000, 318.3
    wave = np.sin(2.0 * np.pi * cycles / points * np.arange(points))
    clipped = np.clip(wave, -clip_ratio_at_thd(thd), clip_ratio_at_thd(thd))
    read = distortion if path == "spectrum" else distortion_by_fit
    found = read(clipped, 200_000.0, cycles, harmonics=60)
    # 60 harmonics hold all but 1e-4 of the distortion of so soft a corner.
    assert found.thd.value.nominal_value == pytest.approx(thd, rel=2e-3)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_sinad_of_an_ideal_quantiser(bits: int) -> None:
    """6.02 N + 1.76 dB, IEEE 1241 (from memory)."""
    points, cycles = 1 << 17, 1009.37
    step = 2.0 / (1 << bits)
    wave = np.sin(2.0 * np.pi * cycles / points * np.arange(points))
    quantised = (np.floor(wave / step) + 0.5) * step
    by_fit = fit_sine_4(quantised, float(points), cycles)
    assert 20.0 * math.log10(by_fit.sinad.nominal_value) == pytest.approx(
        6.02 * bits + 1.76, abs=0.15
    )
    by_spectrum = distortion(
        quantised,
        float(points),
        cycles,
        band_hz=(1.0, points / 2.0),
        window=windows.BLACKMAN_HARRIS_7,
    )
    assert by_spectrum.sinad_db.nominal_value == pytest.approx(6.02 * bits + 1.76, abs=0.2)


def test_spectrum_is_scipys_periodogram() -> None:
    rng = np.random.default_rng(5)
    for points in (1000, 1001, 20_001):
        wave = rng.standard_normal(points) + 3.0
        ours = power_spectrum(wave, 1000.0, windows.BLACKMAN_HARRIS)
        weights = signal.get_window("blackmanharris", points)
        _, theirs = signal.periodogram(
            wave - np.average(wave, weights=weights),
            1000.0,
            window="blackmanharris",
            detrend=False,
            scaling="density",
        )
        np.testing.assert_allclose(ours.power, theirs * ours.bin_hz, rtol=1e-9, atol=1e-18)
