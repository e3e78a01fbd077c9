"""Bursts over a long watch, and whether something that was done changed their rate."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import NotMeasured
from seqrun.measure.hunting import (
    burst_starts,
    dispersion,
    frame_rms,
    level_change,
    quiet_rms,
    rate_change,
    together,
)
from seqrun.values import Bound

RATE_HZ = 20e3


def crackle(seconds: float, at_s: tuple[float, ...], seed: int = 1) -> np.ndarray:
    """Steady noise of 1 mV with bursts of 20 mV, 20 ms long."""
    rng = np.random.default_rng(seed)
    volts = rng.normal(0.0, 1e-3, round(seconds * RATE_HZ))
    for start in at_s:
        a = round(start * RATE_HZ)
        volts[a : a + 400] += rng.normal(0.0, 20e-3, volts[a : a + 400].size)
    return volts


def test_bursts_are_found_where_they_begin() -> None:
    frames = frame_rms(crackle(10.0, (1.0, 4.5, 8.2)), RATE_HZ)
    starts = burst_starts(frames, 4.0 * quiet_rms(frames))
    assert starts == pytest.approx([1.0, 4.5, 8.2], abs=0.006)


def test_steady_noise_alone_sets_nothing_off() -> None:
    frames = frame_rms(crackle(60.0, ()), RATE_HZ)
    assert burst_starts(frames, 4.0 * quiet_rms(frames)).size == 0


def test_ten_in_ten_seconds_against_ten_in_a_hundred_is_no_chance() -> None:
    found = rate_change(10, 10.0, 10, 100.0)
    assert found.ratio == pytest.approx(10.0)
    assert found.low > 3.0
    assert found.probability < 1e-4


def test_one_in_ten_seconds_against_ten_in_a_hundred_says_nothing() -> None:
    found = rate_change(1, 10.0, 10, 100.0)
    assert found.low < 1.0 < found.high
    assert found.probability > 0.5


def test_none_under_the_mark_can_be_a_change_too() -> None:
    found = rate_change(0, 60.0, 60, 60.0)
    assert found.ratio == 0.0
    assert found.high < 0.1
    assert found.probability < 1e-6


def test_bursts_in_swarms_count_for_less() -> None:
    alone, swarms = rate_change(20, 60.0, 5, 60.0), rate_change(20, 60.0, 5, 60.0, dispersion=5.0)
    assert swarms.probability > 10.0 * alone.probability
    assert swarms.low < alone.low


def test_evenly_spread_counts_do_not_sharpen_the_comparison() -> None:
    assert dispersion([3, 3, 3, 3, 3, 3], [1.0] * 6) == 1.0
    assert dispersion([0, 0, 18, 0, 0, 0], [1.0] * 6) > 5.0


def test_trying_many_marks_makes_each_less_sure() -> None:
    assert together([0.01, 0.5, 0.04]) == pytest.approx([0.03, 0.5, 0.08])


def test_louder_records_are_told_apart_when_bursts_run_together() -> None:
    rng = np.random.default_rng(3)
    rest, hot = rng.normal(1.0, 0.1, 40), rng.normal(1.3, 0.1, 20)
    ratio, chance = level_change(hot.tolist(), rest.tolist())
    assert ratio == pytest.approx(1.3, abs=0.1)
    assert chance < 1e-6


def test_without_time_at_rest_there_is_nothing_to_compare_with() -> None:
    with pytest.raises(NotMeasured):
        rate_change(3, 10.0, 0, 0.0)


@given(st.integers(0, 200), st.floats(0.5, 500.0), st.integers(0, 200), st.floats(0.5, 500.0))
def test_the_interval_holds_the_ratio(k: int, t: float, k0: int, t0: float) -> None:
    found = rate_change(k, t, k0, t0)
    assert 0.0 <= found.probability <= 1.0
    if not math.isnan(found.ratio):
        assert found.low <= found.ratio * (1.0 + 1e-9)
        assert found.ratio <= found.high * (1.0 + 1e-9)


def test_a_ratio_of_rates_is_given_with_its_interval_or_as_a_bound() -> None:
    known = rate_change(20, 60.0, 10, 60.0).bounded
    assert known is not None
    assert known.bound is Bound.EXACT
    assert known.value.nominal_value == pytest.approx(2.0)
    none_at_rest = rate_change(8, 60.0, 0, 60.0)
    assert none_at_rest.bounded is not None
    assert none_at_rest.bounded.bound is Bound.AT_LEAST
    assert none_at_rest.bounded.value.nominal_value == pytest.approx(none_at_rest.low)
    assert rate_change(0, 60.0, 0, 60.0).bounded is None
