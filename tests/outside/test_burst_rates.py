"""Rates of what comes at random: against published limits of Poisson counts, and SciPy's tests."""

from __future__ import annotations

import math

import pytest
from scipy.stats import binomtest

from seqrun.measure.counts import event_rate, rate_in_any_stretch, surely_beyond
from seqrun.measure.hunting import rate_change
from seqrun.measure.noise import burst_rate
from seqrun.values import Bound


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


#: Gehrels, Astrophysical Journal 303 (1986) 336, for a level of 0.9772 (S = 2): approximations
#: that he states to be good to 1 % of the limit
S, BETA, GAMMA = 2.0, 0.062, -2.19


def upper(n: int) -> float:
    return (n + 1) * (1.0 - 1.0 / (9.0 * (n + 1)) + S / (3.0 * math.sqrt(n + 1))) ** 3


def lower(n: int) -> float:
    return n * (1.0 - 1.0 / (9.0 * n) - S / (3.0 * math.sqrt(n)) + BETA * n**GAMMA) ** 3


@pytest.mark.parametrize("seen", [0, 1, 2, 3, 5, 8, 13, 30, 100])
def test_value_plus_u_of_a_rate_is_the_published_upper_limit(seen: int) -> None:
    rate = event_rate(seen, 50.0)
    value, u = float(rate.value.nominal_value), 2.0 * float(rate.value.std_dev)
    assert rate.bound is (Bound.AT_MOST if seen == 0 else Bound.EXACT)
    assert 50.0 * (value + u) == pytest.approx(upper(seen), rel=0.01)


@pytest.mark.parametrize("seen", [3, 5, 8, 13])
def test_what_is_surely_too_often_is_so_by_the_published_lower_limit(seen: int) -> None:
    """Below that limit by 2 %, and not above it by 2 %."""
    rate, least = event_rate(seen, 50.0), lower(seen) / 50.0
    sure = surely_beyond(rate, seen, 0.98 * least)
    assert sure.bound is Bound.AT_LEAST
    assert float(sure.value.nominal_value) == pytest.approx(least, rel=0.01)
    assert surely_beyond(rate, seen, 1.02 * least).bound is Bound.EXACT


@pytest.mark.parametrize(("first", "rest"), [(5, 1), (6, 0), (7, 5), (5, 5), (4, 2), (2, 2)])
def test_events_are_a_swarm_where_their_share_is_unlikely_by_the_binomial_test(
    first: int, rest: int
) -> None:
    """Events that know nothing of each other fall into a tenth of a watch by a tenth each; there
    are ten such tenths (Bonferroni), so one in a thousand is asked of each."""
    seen = [first, *([0] * (9 - rest)), *([1] * rest)]
    found = rate_in_any_stretch(seen, [10.0] * 10, 10.0)
    chance = binomtest(first, first + rest, 0.1, alternative="greater").pvalue
    assert found.worst_seen == first
    assert found.swarm == (chance < 0.001)
