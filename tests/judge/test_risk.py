"""Probabilities and ratios."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from seqrun.judge import (
    cannot_decide,
    conformance_probability,
    decide,
    pass_probability,
    tur,
    worst_false_accept,
)
from seqrun.values import Contribution, Limit, Reading, Source, Verdict

numbers = st.floats(-100.0, 100.0)
positive = st.floats(1e-3, 50.0)


@given(numbers, positive, numbers, numbers)
def test_conformance_is_the_normal_probability_between_the_limits(
    value: float, u: float, a: float, b: float
) -> None:
    low, high = sorted((a, b))
    expected = norm.cdf(high, value, u) - norm.cdf(low, value, u)
    assert conformance_probability(value, u, Limit(low, high)) == pytest.approx(expected, abs=1e-12)


def test_a_reading_on_its_limit_is_as_likely_good_as_bad() -> None:
    assert conformance_probability(40.0, 0.5, Limit(high=40.0)) == pytest.approx(0.5)


def test_without_uncertainty_conformance_is_certain_one_way_or_the_other() -> None:
    assert conformance_probability(1.0, 0.0, Limit(high=1.0)) == 1.0
    assert conformance_probability(1.1, 0.0, Limit(high=1.0)) == 0.0


@given(numbers, positive, numbers)
def test_a_guarded_pass_is_a_good_unit_with_at_least_97_7_percent(
    value: float, u: float, high: float
) -> None:
    held = Reading("offset", "V", value, (Contribution(Source("gain"), u),))
    judged = decide(held, Limit(high=high), "guarded", "s")
    if judged.verdict is Verdict.PASS:
        assert judged.conformance_probability is not None
        assert judged.conformance_probability >= norm.cdf(2.0) - 1e-9


@given(positive, numbers, numbers)
def test_no_unit_outside_its_limit_passes_more_often_than_the_worst_false_accept(
    expanded: float, beyond: float, high: float
) -> None:
    limit = Limit(high=high)
    chance = pass_probability(high + abs(beyond), expanded, limit)
    assert chance <= worst_false_accept(expanded, limit) + 1e-12


def test_guard_bands_that_meet_leave_nothing_to_pass() -> None:
    assert pass_probability(0.0, 0.06, Limit(-0.05, 0.05)) == 0.0


def test_an_exact_bench_makes_no_false_accepts() -> None:
    assert worst_false_accept(0.0, Limit(high=1.0)) == 0.0


def test_uncertainty_ratio_of_a_span_is_half_the_span_over_u() -> None:
    assert tur(Limit(-0.05, 0.05), 0.0125) == pytest.approx(4.0)


def test_uncertainty_ratio_of_one_limit_is_the_distance_from_what_is_expected() -> None:
    assert tur(Limit(low=36.0), 0.5, expected=40.0) == pytest.approx(8.0)
    assert tur(Limit(high=0.1), 0.02) == pytest.approx(5.0)


def test_where_only_the_limit_is_expected_its_size_counts() -> None:
    assert tur(Limit(high=2e-3), 23e-6, expected=2e-3) == pytest.approx(87.0, rel=0.01)
    assert tur(Limit(low=30e3), 800.0, expected=30e3) == pytest.approx(37.5)


def test_uncertainty_ratio_without_uncertainty_or_limit() -> None:
    assert tur(Limit(high=1.0), 0.0) == math.inf
    assert math.isnan(tur(Limit(), 1.0))


def test_a_floor_above_the_limit_decides_nothing() -> None:
    assert "floor" in cannot_decide(Limit(high=0.05), 0.001, floor=0.3)
    assert cannot_decide(Limit(high=0.05), 0.001, floor=0.01) == ""


def test_limits_closer_than_two_guard_bands_can_be_decided_only_without_guard() -> None:
    limit = Limit(-0.05, 0.05)
    assert "guard" in cannot_decide(limit, 0.06)
    assert cannot_decide(limit, 0.06, "simple") == ""


@given(positive, numbers, numbers, numbers)
def test_whatever_passes_was_not_said_to_be_undecidable(
    u: float, value: float, a: float, b: float
) -> None:
    low, high = sorted((a, b))
    held = Reading("offset", "V", value, (Contribution(Source("gain"), u),))
    judged = decide(held, Limit(low, high), "guarded", "s")
    if judged.verdict is Verdict.PASS and high - low > 4.0 * u * (1.0 + 1e-9):
        assert cannot_decide(Limit(low, high), held.expanded_uncertainty) == ""


def test_room_to_a_single_limit_counts_either_way() -> None:
    """What is expected beyond the limit leaves as much room as what is expected short of it."""
    assert tur(Limit(high=2.0), 0.5, expected=3.0) == tur(Limit(high=2.0), 0.5, expected=1.0) == 2.0
    assert tur(Limit(low=2.0), 0.5, expected=3.0) == tur(Limit(low=2.0), 0.5, expected=1.0) == 2.0


def test_a_bench_s_floor_is_held_against_the_limit_less_its_guard_band() -> None:
    assert cannot_decide(Limit(high=1.0), 0.2, floor=0.79) == ""
    assert "less U = 0.2" in cannot_decide(Limit(high=1.0), 0.2, floor=0.81)
    assert cannot_decide(Limit(high=1.0), 0.2, "simple", floor=0.99) == ""
    assert "less U" not in cannot_decide(Limit(high=1.0), 0.2, "simple", floor=1.01)


@pytest.mark.parametrize("u", [math.nan, math.inf])
@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_an_uncertainty_that_is_no_number_decides_nothing_beforehand(
    u: float, decision: str
) -> None:
    assert cannot_decide(Limit(0.0, 1.0), u, decision)
