"""Rules of a line or two in the measurements, each held by its own value."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from seqrun.errors import NotMeasured, UsageError
from seqrun.measure import distortion, heat, lines, proportion, saturating, spectrum
from seqrun.measure.bounds import Bounded
from seqrun.measure.windows import BLACKMAN_HARRIS
from seqrun.values import Bound, normal

# --- a share counted on few ---------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.9, 0.95])
@pytest.mark.parametrize(
    ("successes", "trials"), [(0, 7), (1, 7), (5, 9), (7, 7), (1, 1), (40, 60)]
)
def test_the_intervals_of_a_share_are_those_of_scipy(
    successes: int, trials: int, share: float
) -> None:
    counted = stats.binomtest(successes, trials)
    exact = counted.proportion_ci(share, "exact")
    assert proportion.exact_interval(successes, trials, share) == pytest.approx(tuple(exact))
    wilson = counted.proportion_ci(share, "wilson")
    z = float(stats.norm.ppf(0.5 + share / 2.0))
    assert proportion.wilson_interval(successes, trials, z) == pytest.approx(tuple(wilson))


@pytest.mark.parametrize(("successes", "trials"), [(0, 0), (-1, 3), (4, 3)])
@pytest.mark.parametrize("interval", [proportion.exact_interval, proportion.wilson_interval])
def test_more_successes_than_trials_or_no_trial_have_no_share(
    interval: Callable[[int, int], object], successes: int, trials: int
) -> None:
    with pytest.raises(UsageError, match=f"{successes} of {trials}"):
        interval(successes, trials)


# --- residuals that hang together ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("hang", "wider"), [(-0.4, 1.0), (0.0, 1.0), (0.5, 3.0), (0.9, 19.0), (0.99, 19.0)]
)
def test_residuals_that_hang_together_widen_a_fit_as_a_first_order_process_does(
    hang: float, wider: float
) -> None:
    """The variance of a mean grows by (1 + ρ)/(1 − ρ); beyond 0.9 nothing is known of ρ."""
    covariance = np.diag([1.0, 2.0, 3.0])
    fit = saturating.SaturatingFit(1.0, 0.1, 0.0, covariance, 0.1, 50, hang)
    assert heat._widened(fit) == pytest.approx(wider * covariance)


# --- tones and their noise ----------------------------------------------------------------------


def test_a_tone_scatters_by_the_noise_under_it_and_by_what_is_known_of_that() -> None:
    """Noise power p in each bin of the lobe (n of them): they beat with the tone (2·tone·p), they
    scatter themselves (n·p²), and their sum is known from the bins around (n·p² · n/around)."""
    size, at, p, tone = 400, 200, 1e-6, 1.0
    power = np.full(size, p * spectrum.MEDIAN_OF_NOISE)  # of which p is taken for the mean
    half = BLACKMAN_HARRIS.half_lobe_bins
    n = 2 * half + 1
    power[at - half : at + half + 1] += tone / n
    found = spectrum.tone_at(spectrum.Spectrum(power, 1.0, 2 * size, BLACKMAN_HARRIS), float(at))
    around = 2 * (16 * half - half)
    square = tone + n * p * (spectrum.MEDIAN_OF_NOISE - 1.0)
    spread = BLACKMAN_HARRIS.spread
    variance = spread * (2.0 * square * p + n * p * p * (1.0 + n / around))
    assert (found.square, found.density) == pytest.approx((square, p))
    assert found.u_square == pytest.approx(math.sqrt(variance))
    still = spectrum.Spectrum(np.full(size, p), 1.0, 2 * size, BLACKMAN_HARRIS)
    quiet = spectrum.tone_at(still, float(at)).u_square  # no tone: the noise's own part alone
    mean = p / spectrum.MEDIAN_OF_NOISE
    assert quiet == pytest.approx(math.sqrt(spread * n * (1.0 + n / around)) * mean)


def test_a_tone_is_not_read_from_a_record_that_clipped_or_folded() -> None:
    wave = np.sin(2.0 * np.pi * 0.1 * np.arange(1000))
    assert lines.tone_in_noise(wave, 1000.0, 100.0).value.nominal_value == pytest.approx(
        0.7071, 1e-3
    )
    with pytest.raises(NotMeasured, match="range"):
        lines.tone_in_noise(wave, 1000.0, 100.0, clipped=True)
    with pytest.raises(NotMeasured):
        lines.tone_in_noise(wave, 1000.0, 600.0)


@pytest.mark.parametrize("turned", [False, True])
def test_a_small_part_that_is_only_bounded_stands_for_half_its_square(turned: bool) -> None:
    """A rectangle from nothing to b has its mean at b/2 and u = b/√12."""
    known, bounded = Bounded(normal(1.0, 0.01, "a")), Bounded(normal(0.3, 0.0, "b"), Bound.AT_MOST)
    parts = (bounded, known) if turned else (known, bounded)
    found = distortion._together(*parts)
    square = 1.0 + 0.09 / 2.0
    assert found.bound is Bound.EXACT
    assert found.value.nominal_value == pytest.approx(math.sqrt(square))
    u_square = math.hypot(2.0 * 0.01, 0.09 / math.sqrt(12.0))
    assert found.value.std_dev == pytest.approx(u_square / (2.0 * math.sqrt(square)))


@pytest.mark.parametrize(("open_part", "bound"), [(0.49, Bound.EXACT), (0.51, Bound.AT_MOST)])
def test_a_part_beyond_a_fifth_of_the_square_leaves_a_bound(open_part: float, bound: Bound) -> None:
    found = distortion._together(
        Bounded(normal(1.0, 0.0, "a")), Bounded(normal(open_part, 0.0, "b"), Bound.AT_MOST)
    )
    assert found.bound is bound
