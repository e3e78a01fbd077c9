"""Windows against F. J. Harris, Proc. IEEE 66 (1978) 51-83, and against SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from seqrun.measure import windows

# F. J. Harris (1978): equivalent noise bandwidths, computed from the published coefficients.
HARRIS_NOISE_BANDWIDTH = {
    "hann": 1.500,
    "hamming": 1.363,
    "blackman": 1.727,
    "flat_top": 3.770,
    "blackman_harris": 2.004,
}
SCIPY_NAMES = {
    "hann": "hann",
    "hamming": "hamming",
    "blackman": "blackman",
    "flat_top": "flattop",
    "blackman_harris": "blackmanharris",
}


@pytest.mark.parametrize(("name", "bins"), HARRIS_NOISE_BANDWIDTH.items())
def test_noise_bandwidth_is_that_of_harris(name: str, bins: float) -> None:
    assert windows.WINDOWS[name].noise_bandwidth_bins == pytest.approx(bins, abs=5e-4)


@pytest.mark.parametrize(("ours", "theirs"), SCIPY_NAMES.items())
@pytest.mark.parametrize("points", [1000, 1001])
def test_samples_are_those_of_scipy(ours: str, theirs: str, points: int) -> None:
    expected = signal.get_window(theirs, points)
    np.testing.assert_allclose(windows.samples(windows.WINDOWS[ours], points), expected, atol=1e-12)


@pytest.mark.parametrize("window", windows.WINDOWS.values(), ids=str)
def test_the_stated_side_lobe_is_the_highest_there_is(window: windows.Window) -> None:
    fine = np.abs(np.fft.rfft(windows.samples(window, 4096), 4096 * 16))
    lobes = fine[window.half_lobe_bins * 16 :] / fine[0]
    assert 20.0 * np.log10(lobes.max()) == pytest.approx(window.highest_side_lobe_db, abs=0.3)


@pytest.mark.parametrize("window", windows.WINDOWS.values(), ids=str)
def test_scalloping_loss_is_that_of_a_tone_between_two_bins(window: windows.Window) -> None:
    n = 4096
    tone = np.exp(2j * np.pi * 100.5 / n * np.arange(n))
    seen = np.abs(np.fft.fft(tone * windows.samples(window, n))).max() / n / window.coherent_gain
    assert window.scalloping_loss_db == pytest.approx(-20.0 * np.log10(seen), abs=1e-3)


@pytest.mark.parametrize("window", windows.WINDOWS.values(), ids=str)
@pytest.mark.parametrize("offset", [0.1, 0.5])
def test_leakage_is_what_a_tone_puts_outside_its_lobe(
    window: windows.Window, offset: float
) -> None:
    n = 1 << 14
    tone = np.exp(2j * np.pi * (n / 4 + offset) / n * np.arange(n))
    power = np.abs(np.fft.fft(tone * windows.samples(window, n))) ** 2
    bins = np.abs(np.arange(n) - n / 4 - offset)
    share = power[bins > window.half_lobe_bins].sum() / power.sum()
    assert window.leakage(offset) == pytest.approx(share, rel=0.02, abs=1e-13)
