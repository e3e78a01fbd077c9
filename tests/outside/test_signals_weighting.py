"""Weightings and playback curve against what is published, and against SciPy's filters."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from seqrun.measure.noise import noise_level
from seqrun.measure.transfer import riaa_playback_db
from seqrun.measure.weighting import Weighting, gain_db

# IEC 61672-1:2013, the A-weighting by its formula at 1000·10^(n/10) Hz, computed.
A_TABLE = {
    -15: -39.4, -12: -26.2, -9: -16.1, -6: -8.6, -3: -3.2, 0: 0.0, 3: 1.2, 6: 1.0, 9: -1.1,
    12: -6.6,
}  # fmt: skip
# ITU-R BS.468-4 (1986), the response that it tabulates (from memory).
CCIR_TABLE = {
    31.5: -29.9, 63: -23.9, 100: -19.8, 200: -13.8, 400: -7.8, 800: -1.9, 1000: 0.0, 2000: 5.6,
    3150: 9.0, 4000: 10.5, 5000: 11.7, 6300: 12.2, 7100: 12.0, 8000: 11.4, 9000: 10.1,
    10000: 8.1, 12500: 0.0, 14000: -5.3, 16000: -11.7, 20000: -22.2,
}  # fmt: skip
# IEC 60098 time constants 3180, 318 and 75 µs; computed.
RIAA_TABLE = {
    20: 19.274, 50: 16.946, 100: 13.088, 200: 8.219, 500: 2.648, 1000: 0.0, 2000: -2.589,
    5000: -8.210, 10000: -13.734, 20000: -19.620,
}  # fmt: skip


@pytest.mark.parametrize(("band", "level_db"), A_TABLE.items())
def test_a_weighting_is_that_of_iec_61672(band: int, level_db: float) -> None:
    assert gain_db(Weighting.A, 1000.0 * 10.0 ** (band / 10.0)) == pytest.approx(level_db, abs=0.06)


@pytest.mark.parametrize(("frequency", "level_db"), CCIR_TABLE.items())
def test_ccir_weighting_is_that_of_bs_468(frequency: float, level_db: float) -> None:
    assert gain_db(Weighting.CCIR_468, frequency) == pytest.approx(level_db, abs=0.06)


@pytest.mark.parametrize(("frequency", "level_db"), RIAA_TABLE.items())
def test_riaa_playback_curve_is_that_of_iec_60098(frequency: float, level_db: float) -> None:
    assert riaa_playback_db(frequency) == pytest.approx(level_db, abs=6e-4)


def test_riaa_playback_curve_is_scipys_transfer_function() -> None:
    zeros, poles = [-1 / 318e-6], [-1 / 3180e-6, -1 / 75e-6]
    frequencies = np.array([20.0, 1000.0, 20_000.0])
    _, h = signal.freqs_zpk(zeros, poles, 1.0, 2.0 * math.pi * frequencies)
    level = 20.0 * np.log10(np.abs(h) / np.abs(h[1]))
    assert [riaa_playback_db(float(f)) for f in frequencies] == pytest.approx(level.tolist())


def test_a_weighting_is_scipys_transfer_function_of_its_poles() -> None:
    """Poles of IEC 61672-1, annex E: 20.6 Hz and 12194 Hz twice, 107.7 Hz, 737.9 Hz."""
    poles = [20.598997, 20.598997, 107.65265, 737.86223, 12194.217, 12194.217]
    frequencies = np.array([31.5, 1000.0, 16_000.0])
    _, h = signal.freqs_zpk(
        [0.0] * 4, [-2.0 * math.pi * p for p in poles], 1.0, 2.0 * math.pi * frequencies
    )
    level = 20.0 * np.log10(np.abs(h) / np.abs(h[1]))
    assert [gain_db(Weighting.A, float(f)) for f in frequencies] == pytest.approx(
        level.tolist(), abs=1e-9
    )


def test_weighted_noise_is_that_of_the_filtered_record() -> None:
    """White noise through SciPy's digital A-weighting, against our weighted spectrum."""
    rate, points = 768_000.0, 1 << 21
    noise = np.random.default_rng(8).standard_normal(points)
    poles = [20.598997, 20.598997, 107.65265, 737.86223, 12194.217, 12194.217]
    analogue = signal.ZerosPolesGain([0.0] * 4, [-2.0 * math.pi * p for p in poles], 1.0)
    _, h = signal.freqs_zpk(analogue.zeros, analogue.poles, 1.0, [2.0 * math.pi * 1000.0])
    z, p, k = signal.bilinear_zpk(analogue.zeros, analogue.poles, 1.0 / abs(h[0]), rate)
    filtered = signal.sosfilt(signal.zpk2sos(z, p, k), noise)
    ours = noise_level(noise, rate, weighting=Weighting.A, band_hz=(10.0, 90_000.0)).rms.value
    # One chance record, but a window uses its middle most: they differ by our statistics.
    assert ours.std_dev < 0.005 * ours.nominal_value
    assert abs(ours.nominal_value - float(np.std(filtered[4096:]))) < 2.0 * ours.std_dev
