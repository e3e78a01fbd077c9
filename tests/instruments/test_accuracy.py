"""From data sheet to uncertainty: half-widths, shared errors, few readings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.accuracy import Accuracy
from seqrun.values import COVERAGE_FACTOR, budget_of


@pytest.fixture(scope="module")
def driver() -> Driver:
    return load_driver(find("driver", "generic-meter"))


def test_a_half_width_from_a_data_sheet_is_rectangular(driver: Driver) -> None:
    accuracy = Accuracy("meter", driver)
    value = accuracy.attach(5.0, accuracy.row("dc_voltage", 5.0))
    # 0.005 % of reading and 0.0004 % of 25 V, each over √3 (JCGM 100:2008, 4.3.7)
    assert value.std_dev == pytest.approx(math.hypot(5.0 * 5e-5, 10.0 * 1e-5) / math.sqrt(3.0))
    assert {line.source.distribution for line in budget_of(value)} == {"rectangular"}


def test_a_stated_resolution_is_a_rectangle_of_one_step_and_one_of_nought_is_none(
    driver: Driver,
) -> None:
    accuracy = Accuracy("meter", driver)
    for step in (0.0, 0.01):
        row = accuracy.row("dc_voltage", 5.0).model_copy(update={"resolution": step})
        value = accuracy.attach(5.0, row)
        lines = [c for c in budget_of(value) if "resolution" in c.source.name]
        assert [c.standard_uncertainty for c in lines] == pytest.approx(
            [step / 2.0 / math.sqrt(3.0)] if step else []
        )


def test_the_sign_of_a_reading_does_not_matter(driver: Driver) -> None:
    accuracy = Accuracy("meter", driver)
    row = accuracy.row("dc_voltage", -5.0)
    assert row.range == 25.0
    assert accuracy.attach(-5.0, row).std_dev == accuracy.attach(5.0, row).std_dev


def test_the_offset_cancels_in_a_difference_and_the_gain_in_a_ratio(driver: Driver) -> None:
    accuracy = Accuracy("meter", driver)
    row = accuracy.row("dc_voltage", 5.0)
    a, b = accuracy.attach(5.0, row), accuracy.attach(4.0, row)
    assert (a - b).std_dev == pytest.approx(1.0 * 5e-5 / math.sqrt(3.0))
    assert ((a - b) / (a + b)).std_dev < (a / 9.0).std_dev


@pytest.mark.parametrize("times", [0.3, 1.0, 2.0, 1000.0])
@pytest.mark.parametrize("count", [2, 3, 5])
def test_the_mean_of_few_readings_holds_the_truth_whatever_the_sheet_says_of_their_noise(
    driver: Driver, count: int, times: float
) -> None:
    """Readings that scatter as the sheet says, twice as much, or beyond all that it says: never
    less than 95 % of the intervals hold the truth, and where the sheet says next to nothing the
    interval is Student's, no wider."""
    rng = np.random.default_rng(count)
    accuracy = Accuracy("meter", driver)
    row = accuracy.row("dc_voltage", 1.0)
    trials, held = 3000, 0
    for _ in range(trials):
        readings = [float(x) for x in rng.normal(0.0, times * row.noise, count)]
        value = accuracy.measured(readings, row)
        scatter = next(c for c in budget_of(value) if "scatter" in c.source.name)
        held += abs(value.nominal_value) <= COVERAGE_FACTOR * scatter.standard_uncertainty
    assert held / trials >= 0.9545 - 0.012
    if times == 1000.0:
        assert held / trials <= 0.9545 + 0.012


def test_scatter_of_few_readings_is_that_of_student_by_value(driver: Driver) -> None:
    """1 mV either side of the mean: s = √2 mV, s/√2 = 1 mV; t for 95.45 % at one degree of freedom
    is 13.97 (JCGM 100:2008, table G.2), over k = 2."""
    accuracy = Accuracy("meter", driver)
    value = accuracy.measured([0.001, -0.001], accuracy.row("dc_voltage", 1.0))
    scatter = next(c for c in budget_of(value) if "scatter" in c.source.name)
    assert scatter.standard_uncertainty == pytest.approx(13.97 / 2.0 * 0.001, rel=1e-3)
    assert scatter.source.degrees_of_freedom == 1.0


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
