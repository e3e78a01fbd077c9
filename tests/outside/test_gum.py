"""Propagation of uncertainty, held against worked examples of JCGM 100:2008 (the GUM)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import correlated_values, correlated_values_norm, ufloat
from uncertainties import umath as um

from seqrun.values import Source, budget_of, normal, reading, rectangular

# JCGM 100:2008, H.2, table H.2: five simultaneous observations (from memory; their means and
# deviations are those that the standard prints).
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
MILLIAMPERES = [19.663, 19.639, 19.640, 19.685, 19.678]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
# The same, table H.3 (from means and correlations; from memory): resistance, reactance and
# magnitude of the impedance with their uncertainties, ohm.
RESULTS = {"R": (127.732, 0.071), "X": (219.847, 0.295), "Z": (254.260, 0.236)}


def impedance(volts, amperes, phase):  # type: ignore[no-untyped-def]
    z = volts / amperes
    return {"R": z * um.cos(phase), "X": z * um.sin(phase), "Z": z}


@pytest.mark.parametrize("name", RESULTS)
def test_h2_from_stated_uncertainties_and_correlations(name: str) -> None:
    correlations = [[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]]
    volts, amperes, phase = correlated_values_norm(
        [(4.9990, 0.0032), (19.6610e-3, 0.0095e-3), (1.04446, 0.00075)], correlations
    )
    measured = impedance(volts, amperes, phase)[name]
    value, u = RESULTS[name]
    assert measured.nominal_value == pytest.approx(value, abs=0.0015)
    # inputs are printed with two digits, so the result is good to some per cent of u
    assert measured.std_dev == pytest.approx(u, rel=0.03)


@pytest.mark.parametrize("name", RESULTS)
def test_h2_from_the_observations_themselves_through_our_budget(name: str) -> None:
    data = np.array([VOLTS, np.array(MILLIAMPERES) * 1e-3, RADIANS])
    means = data.mean(axis=1)
    covariance = np.cov(data) / data.shape[1]  # of the means: GUM 4.2.3, 5.2.3
    tags = [Source(f"part {n}", "normal", 4.0) for n in range(3)]
    volts, amperes, phase = correlated_values(means, covariance, tags=tags)
    made = reading("impedance", "Ω", impedance(volts, amperes, phase)[name])
    value, u = RESULTS[name]
    assert made.value == pytest.approx(value, abs=0.0005)
    # the standard goes on with rounded intermediates: full precision gives 0.2956 for its 0.295
    assert made.standard_uncertainty == pytest.approx(u, abs=0.001)
    assert {c.source.degrees_of_freedom for c in made.budget} == {4.0}


# JCGM 100:2008, 4.3.7 example 2 and 5.1.5: a digital voltmeter on its 1 V range reads 0.928571 V
# with 12 µV from repeats; the maker states 14e-6 of reading + 2e-6 of range, taken as rectangular:
# a = 15 µV, u = 8.7 µV, combined u = 15 µV.
def test_voltmeter_specification_as_a_rectangular_contribution() -> None:
    half_width = 14e-6 * 0.928571 + 2e-6 * 1.0
    assert half_width == pytest.approx(15e-6, abs=0.5e-6)
    total = normal(0.928571, 12e-6, "repeats") + rectangular(0.0, half_width, "accuracy table")
    made = reading("voltage", "V", total)
    assert made.standard_uncertainty == pytest.approx(15e-6, abs=0.5e-6)
    by_name = {c.source.name: c.standard_uncertainty for c in made.budget}
    assert by_name["accuracy table"] == pytest.approx(8.7e-6, abs=0.05e-6)


# JCGM 100:2008, F.1.2.3 and 5.2.2: what two readings share cancels from their difference, and adds
# in full, not by root sum of squares, to their sum.
def test_a_shared_error_cancels_from_a_difference_and_adds_up_in_a_sum() -> None:
    gain = ufloat(0.0, 0.001, tag=Source("gain", "rectangular"))
    hot, cold = 0.030 * (1 + gain), 0.025 * (1 + gain)
    assert budget_of(hot - cold)[0].standard_uncertainty == pytest.approx(5e-6)
    assert budget_of(hot + cold)[0].standard_uncertainty == pytest.approx(55e-6)


# JCGM 100:2008, 5.1.3: independent contributions combine by root sum of squares.
def test_independent_contributions_combine_by_root_sum_of_squares() -> None:
    made = reading("x", "V", normal(1.0, 3e-3, "a") + normal(2.0, 4e-3, "b"))
    assert made.standard_uncertainty == pytest.approx(math.hypot(3e-3, 4e-3))
    assert made.expanded_uncertainty == pytest.approx(2 * 5e-3)
