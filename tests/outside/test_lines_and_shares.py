"""Trends and yields, held against certified data and published tables."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg
from scipy import stats

from seqrun.measure.lines import hum_wave
from seqrun.measure.proportion import wilson_interval
from seqrun.measure.transfer import frequency_response
from seqrun.measure.trend import line
from seqrun.values import exactly, normal

# NIST StRD, linear regression, data set Norris: y, x in pairs (from memory;
# a wrong digit among the data would show in the twelfth digit of the result).
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3
449.1 448.6  778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0
448.9 447.5  10.8 11.6  557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3
0.6 0.3  557.6 556.8  339.3 339.1  888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3
228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""
# JCGM 100:2008, H.3 (from memory): thermometer readings t_k and corrections b_k, °C
T_K = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B_K = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_slope_and_its_deviation_of_norris_to_eleven_digits() -> None:
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    found = line(x, y)
    assert found.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.at(0.0) == pytest.approx(-0.262323073774029, rel=1e-11)
    assert found.u_scatter == pytest.approx(0.429796848199937e-3, rel=1e-11)


def test_gum_h3_calibration_of_a_thermometer() -> None:
    found = line(np.array(T_K), np.array(B_K))
    # H.3.3: y1 = -0.1712 °C (at 20 °C), y2 = 0.00218, s(y2) = 0.00067; H.3.4: b(30) = -0.1494 °C
    assert found.at(20.0) == pytest.approx(-0.1712, abs=5e-5)
    assert found.slope == pytest.approx(0.00218, abs=5e-6)
    assert found.u_scatter == pytest.approx(0.00067, abs=5e-6)
    assert found.at(30.0) == pytest.approx(-0.1494, abs=5e-5)


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_intervals_of_a_share_as_tabled_by_newcombe(
    successes: int, trials: int, low: float, high: float
) -> None:
    # R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, method 3 (score), from memory
    found = wilson_interval(successes, trials)
    assert found == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize("count", [2, 4, 10])
def test_the_largest_of_n_equal_ones_is_held_by_the_interval_of_all_n(count: int) -> None:
    """Z. Šidák, Journal of the American Statistical Association 62 (1967), 626: all of n
    independent normal errors stay within q with (2Φ(q) − 1)ⁿ."""
    u = 0.01  # dB
    held = 2.0 * stats.norm.cdf(2.0) - 1.0
    all_of_them = stats.norm.ppf(0.5 * (1.0 + held ** (1.0 / count)))
    gains = [exactly(1.0)]
    gains += [10.0 ** ((1.0 + normal(0.0, u, f"{n}")) / 20.0) for n in range(count)]
    hertz = [1000.0 + 100.0 * n for n in range(count + 1)]
    found = frequency_response(hertz, gains).flatness_db
    assert 2.0 * found.std_dev == pytest.approx(u * all_of_them, rel=0.03)


@pytest.mark.parametrize(
    ("hertz", "rate"), [(50.0, 10e3), (49.63, 10e3), (60.2, 100e3), (50.31, 44.1e3)]
)
def test_hum_that_is_taken_out_is_what_least_squares_of_scipy_has_at_its_frequency(
    hertz: float, rate: float
) -> None:
    """Sines at ten multiples of the mains, fitted by scipy.linalg.lstsq where the frequency is
    known; the record is white noise and five of them."""
    rng = np.random.default_rng(8)
    t = np.arange(round(1.8 * rate)) / rate
    sizes = {1: 3e-3, 2: 1e-3, 3: 8e-4, 6: 4e-4, 10: 2e-4}
    true = sum(v * np.sin(2.0 * np.pi * n * hertz * t + n) for n, v in sizes.items())
    volts = true + 3e-4 * rng.normal(size=t.size)
    turns = 2.0 * np.pi * hertz * np.outer(t, np.arange(1, 11))
    basis = np.concatenate([np.cos(turns), np.sin(turns), np.ones((t.size, 1))], axis=1)
    reference = basis[:, :-1] @ scipy.linalg.lstsq(basis, volts)[0][:-1]
    found = hum_wave(volts, rate)
    assert found is not None
    assert np.std(found - reference) < 0.05 * np.std(true)  # its frequency is found, not known
    assert np.std(found - true) < 0.05 * np.std(true)
    assert hum_wave(3e-4 * rng.normal(size=t.size), rate, least_share=0.1) is None
    assert hum_wave(volts[: round(0.19 * rate)], rate) is None
