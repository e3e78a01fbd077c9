"""Comparison of two Poisson rates against the exact binomial test of SciPy."""

from __future__ import annotations

import math

import pytest
from scipy.stats import binomtest

from seqrun.measure.hunting import rate_change
from seqrun.measure.noise import burst_rate


@pytest.mark.parametrize(
    ("k", "t", "k0", "t0"), [(10, 10.0, 10, 100.0), (3, 30.0, 25, 60.0), (0, 5.0, 40, 50.0)]
)
def test_interval_is_that_of_clopper_and_pearson(k: int, t: float, k0: int, t0: float) -> None:
    """Given the sum, the first count is binomial (Przyborowski and Wilenski 1940; from memory); its
    exact interval by SciPy's binomtest."""
    found = rate_change(k, t, k0, t0)
    interval = binomtest(k, k + k0, t / (t + t0)).proportion_ci(0.95, method="exact")
    assert found.low == pytest.approx(interval.low / (1 - interval.low) * t0 / t, rel=1e-9)
    assert found.high == pytest.approx(interval.high / (1 - interval.high) * t0 / t, rel=1e-9)


@pytest.mark.parametrize(("k", "k0"), [(10, 2), (7, 7), (1, 9)])
def test_equal_times_give_the_sign_test(k: int, k0: int) -> None:
    """In equal times the share is a half, and the probability that of the two-sided sign test
    (SciPy's binomtest, which is symmetric at p = 1/2)."""
    found = rate_change(k, 60.0, k0, 60.0)
    assert found.probability == pytest.approx(binomtest(k, k + k0, 0.5).pvalue, rel=1e-9)


@pytest.mark.parametrize("rate", [0.5, 20.0, 90.0])
def test_a_counter_that_pulses_extend_is_corrected_to_the_true_rate(rate: float) -> None:
    """Pulses of length t that extend one another (a paralysable counter): of a true rate n the
    beginnings n·exp(-n·t) are seen, and the share exp(-n·t) of the time is quiet (Knoll, Radiation
    Detection and Measurement, dead time; from memory)."""
    watched, length = 2e5, 0.02
    quiet = math.exp(-rate * length)
    found = burst_rate(round(watched * rate * quiet), watched * quiet, 1e-6)
    assert found.value.nominal_value == pytest.approx(rate, rel=1e-3)
