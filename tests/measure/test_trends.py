"""What drifts: the line through readings over time, and shares counted on few."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import NotMeasured, UsageError
from seqrun.measure.proportion import wilson_interval
from seqrun.measure.trend import line, lines


def test_readings_on_a_line_give_its_slope() -> None:
    found = line(np.arange(5.0), 2.0 + 0.5 * np.arange(5.0), np.full(5, 0.1))
    assert found.slope == pytest.approx(0.5)
    assert found.at(10.0) == pytest.approx(7.0)
    assert found.moved == pytest.approx(2.0)


def test_readings_without_scatter_are_as_uncertain_as_they_state() -> None:
    t = np.arange(5.0)
    found = line(t, 3.0 * t, np.full(5, 0.2))
    assert found.expanded == pytest.approx(2.0 * 0.2 / np.sqrt(np.sum((t - 2.0) ** 2)))


def test_scatter_beyond_what_is_stated_widens_the_slope() -> None:
    t, y = np.arange(8.0), np.array([0.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0, 0.0])
    tight = line(t, y, np.full(8, 1e-3))
    assert tight.expanded > 100.0 * 2.0 * tight.u_stated
    assert abs(tight.slope) < tight.expanded


def test_three_readings_with_scatter_make_no_trend() -> None:
    found = line(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.2, 1.9]))
    assert found.slope == pytest.approx(0.95)
    assert found.expanded > found.slope  # t of one degree of freedom is 14


def test_a_common_error_of_the_instrument_does_not_tilt_the_line() -> None:
    t = np.arange(6.0)
    y = np.array([1.0, 1.2, 1.1, 1.4, 1.3, 1.6])
    u = np.full(6, 0.1)
    assert line(t, y + 5.0, u).slope == pytest.approx(line(t, y, u).slope)


@pytest.mark.parametrize("times", [[0.0, 1.0], [2.0, 2.0, 2.0], []])
def test_two_readings_or_one_moment_allow_no_trend(times: list[float]) -> None:
    with pytest.raises(NotMeasured):
        line(np.array(times), np.ones(len(times)), np.ones(len(times)))


def test_many_groups_at_once_are_the_same_as_each_alone() -> None:
    rng = np.random.default_rng(3)
    groups = rng.integers(0, 6, 200)
    t, y, u = rng.uniform(0, 50, 200), rng.normal(0, 2, 200), rng.uniform(0.1, 1, 200)
    together = lines(groups, 7, t, y, u)  # the last group has no reading
    for group in range(6):
        mine = groups == group
        alone = line(t[mine], y[mine], u[mine])
        assert together.slope[group] == pytest.approx(alone.slope)
        assert together.expanded[group] == pytest.approx(alone.expanded)
    assert np.isnan(together.slope[6])
    assert together.count[6] == 0


def test_a_steady_quantity_is_said_to_drift_in_no_more_than_one_of_twenty() -> None:
    rng = np.random.default_rng(11)
    size, n = 4000, 6
    groups = np.repeat(np.arange(size), n)
    t = np.tile(np.arange(float(n)), size)
    found = lines(groups, size, t, rng.normal(0, 0.3, size * n), np.full(size * n, 0.3))
    assert np.mean(np.abs(found.slope) > found.expanded) < 0.0455
    silent = lines(groups, size, t, rng.normal(0, 0.3, size * n), np.zeros(size * n))
    assert np.mean(np.abs(silent.slope) > silent.expanded) == pytest.approx(0.0455, abs=0.01)


@given(
    st.lists(st.floats(-100, 100), min_size=3, max_size=12),
    st.floats(1e-3, 1e3),
    st.floats(-1e3, 1e3),
)
def test_the_unit_and_the_zero_of_time_do_not_matter(
    values: list[float], factor: float, shift: float
) -> None:
    y, t, u = np.array(values), np.arange(float(len(values))), np.ones(len(values))
    found, other = line(t, y, u), line(factor * t + shift, y, u)
    assert other.moved == pytest.approx(found.moved, abs=1e-6)
    assert other.expanded_moved == pytest.approx(found.expanded_moved, rel=1e-6)


def test_three_of_three_is_no_certainty() -> None:
    low, high = wilson_interval(3, 3)
    assert low < 0.5
    assert high == 1.0


@pytest.mark.parametrize(("successes", "trials"), [(1, 0), (-1, 3), (4, 3)])
def test_a_share_of_nothing_is_refused(successes: int, trials: int) -> None:
    with pytest.raises(UsageError):
        wilson_interval(successes, trials)


def test_one_reading_that_states_no_uncertainty_has_its_group_weighted_alike() -> None:
    times, values = np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 1.0, 5.0, 3.0])
    alike = line(times, values)
    assert line(times, values, np.array([0.1, 0.0, 4.0, 0.1])).slope == alike.slope
    assert line(times, values, np.array([0.1, 0.2, 4.0, 0.1])).slope != alike.slope
