"""Counting: what holds, how wide the narrowest interval is, what lies outside the aims."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.study.benches import Pair
from seqrun.study.coverage import coverage_of, holds, narrowest
from seqrun.values import Bound, Contribution, Reading, Source


def pair(error: float, u: float = 0.5, bound: Bound = Bound.EXACT, truth: float = 7.0) -> Pair:
    """A reading with standard uncertainty u, off by ``error``."""
    budget = (Contribution(Source("all of it"), u),)
    return Pair("q", 1, Reading("q", "V", truth + error, budget, bound=bound), truth)


def drawn(kind: str, count: int, u: float) -> list[Pair]:
    """Errors of a distribution whose standard deviation is 0.5, beside a stated u."""
    chance = random.Random(count)
    draw = {
        "normal": lambda: chance.gauss(0.0, 0.5),
        "rectangular": lambda: 0.5 * math.sqrt(3.0) * chance.uniform(-1.0, 1.0),
    }[kind]
    return [pair(draw(), u) for _ in range(count)]


@pytest.mark.parametrize(
    ("error", "bound", "true"),
    [
        (0.99, Bound.EXACT, True),
        (-1.01, Bound.EXACT, False),
        (5.0, Bound.AT_MOST, True),  # the truth is far below what it is at most
        (-0.9, Bound.AT_MOST, True),
        (-1.1, Bound.AT_MOST, False),
        (-5.0, Bound.AT_LEAST, True),
        (1.1, Bound.AT_LEAST, False),
    ],
)
def test_an_interval_holds_the_truth_on_both_sides_and_a_bound_on_one(
    error: float, bound: Bound, true: bool
) -> None:
    assert holds(pair(error, bound=bound)) is true


def test_a_normal_error_is_held_by_k_2_at_95_percent_and_two_percent_too_wide() -> None:
    found = coverage_of("q", drawn("normal", 4000, 0.5))
    assert found.share == pytest.approx(0.9545, abs=0.01)
    assert found.width == pytest.approx(1.02, abs=0.04)


def test_a_rectangular_error_is_always_held_and_k_2_is_22_percent_too_wide() -> None:
    found = coverage_of("q", drawn("rectangular", 4000, 0.5))
    assert found.share == 1.0
    assert found.width == pytest.approx(2.0 / math.sqrt(3.0) / 0.95, abs=0.02)


@pytest.mark.parametrize(("stated", "honest"), [(0.5, True), (0.4, False), (0.7, False)])
def test_too_narrow_and_too_wide_are_both_outside_the_aims(stated: float, honest: bool) -> None:
    assert coverage_of("q", drawn("normal", 2000, stated)).honest is honest


def test_an_offset_that_all_readings_share_shows_as_bias_and_costs_coverage() -> None:
    shifted = [pair(p.reading.value - 7.0 + 0.8) for p in drawn("normal", 1000, 0.5)]
    found = coverage_of("q", shifted)
    assert found.bias == pytest.approx(0.8, abs=0.05)
    assert found.share < 0.7
    assert found.width == pytest.approx(1.02, abs=0.08)  # the interval may lie anywhere


def test_what_was_not_measured_is_counted_apart() -> None:
    missing = Pair("q", 2, Reading("q", "V", None, note="no tone"), math.nan)
    found = coverage_of("q", [pair(0.0), missing])
    assert (found.readings, found.missing, found.reason, found.share) == (1, 1, "no tone", 1.0)


@given(st.lists(st.floats(-1e3, 1e3), min_size=20, max_size=60), st.floats(-1e3, 1e3))
def test_the_narrowest_interval_moves_with_the_errors_and_is_no_wider_than_all(
    errors: list[float], shift: float
) -> None:
    half = narrowest(errors)
    assert 0.0 <= half <= 0.5 * (max(errors) - min(errors)) + 1e-9
    assert narrowest([e + shift for e in errors]) == pytest.approx(half, abs=1e-6)


def test_ninety_five_percent_of_few_readings_is_not_worked_out() -> None:
    assert math.isnan(narrowest([0.0] * 19))
