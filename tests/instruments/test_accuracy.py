"""From data sheet to uncertainty: half-widths, shared errors, few readings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from seqrun.files.driver import Driver, load_driver
from seqrun.files.shipped import find
from seqrun.instruments.accuracy import Accuracy, student
from seqrun.values import budget_of


@pytest.fixture(scope="module")
def driver() -> Driver:
    return load_driver(find("driver", "generic-meter"))


def test_a_half_width_from_a_data_sheet_is_rectangular(driver: Driver) -> None:
    accuracy = Accuracy("meter", driver)
    value = accuracy.attach(5.0, accuracy.row("dc_voltage", 5.0))
    # 0.005 % of reading and 0.001 % of range, each over √3 (JCGM 100:2008, 4.3.7)
    assert value.std_dev == pytest.approx(math.hypot(5.0 * 5e-5, 10.0 * 1e-5) / math.sqrt(3.0))
    assert {line.source.distribution for line in budget_of(value)} == {"rectangular"}


def test_the_sign_of_a_reading_does_not_matter(driver: Driver) -> None:
    accuracy = Accuracy("meter", driver)
    row = accuracy.row("dc_voltage", -5.0)
    assert row.range == 10.0
    assert accuracy.attach(-5.0, row).std_dev == accuracy.attach(5.0, row).std_dev


def test_the_offset_cancels_in_a_difference_and_the_gain_in_a_ratio(driver: Driver) -> None:
    accuracy = Accuracy("meter", driver)
    row = accuracy.row("dc_voltage", 5.0)
    a, b = accuracy.attach(5.0, row), accuracy.attach(4.0, row)
    assert (a - b).std_dev == pytest.approx(1.0 * 5e-5 / math.sqrt(3.0))
    assert ((a - b) / (a + b)).std_dev < (a / 9.0).std_dev


@pytest.mark.parametrize("n", [1, 2, 3, 4, 9, 10, 20, 50])
def test_few_readings_are_widened_as_student_says(n: int) -> None:
    exact = stats.t.ppf(0.5 + 0.9545 / 2.0, n) / 2.0
    assert student(n) == pytest.approx(exact, rel=0.004)


@pytest.mark.parametrize("count", [2, 3, 5, 10])
def test_the_mean_of_few_noisy_readings_holds_the_truth(driver: Driver, count: int) -> None:
    """95 % of the intervals, with noise that dwarfs the data sheet's."""
    rng = np.random.default_rng(count)
    held = 0
    for _ in range(800):
        accuracy = Accuracy("meter", driver)
        readings = [float(x) for x in rng.normal(1.0, 0.1, count)]
        value = accuracy.measured(readings, accuracy.row("dc_voltage", 1.0))
        held += abs(value.nominal_value - 1.0) <= 2.0 * value.std_dev
    assert 0.935 <= held / 800 <= 0.975


@given(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=20))
def test_the_value_is_the_mean_and_the_scatter_never_below_the_instrument_s_noise(
    driver: Driver, readings: list[float]
) -> None:
    accuracy = Accuracy("meter", driver)
    row = accuracy.row("dc_voltage", 1.0)
    value = accuracy.measured(readings, row)
    assert value.nominal_value == pytest.approx(sum(readings) / len(readings), abs=1e-12)
    scatter = next(c for c in budget_of(value) if "scatter" in c.source.name)
    assert scatter.standard_uncertainty >= row.noise / math.sqrt(len(readings)) * 0.999
