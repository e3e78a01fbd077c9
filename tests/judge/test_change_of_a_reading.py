"""Before and after: what two readings with their uncertainties say about a change."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import UsageError
from seqrun.judge import Change, Difference, decide, difference
from seqrun.judge.change import CHANCE, classify, least_that_matters
from seqrun.values import Bound, Contribution, Judged, Limit, Reading, Source

MILLI = 1e-3
Sides = tuple[float | None, float | None]


def reading(
    value: float | None,
    u: float,
    unit: str = "V",
    limit: Sides | None = (-50 * MILLI, 50 * MILLI),
    bound: Bound = Bound.EXACT,
    note: str = "",
) -> Judged:
    """A reading with expanded uncertainty ``u``; none: not stated."""
    budget = (Contribution(Source("all"), u / 2.0),) if u else ()
    made = Reading("dc_offset", unit, value, budget, "left", bound, (), note)
    return decide(made, Limit(*limit) if limit else None, "guarded", "offset.left")


def test_offset_of_212_mv_that_is_3_mv_after_repair_has_changed() -> None:
    found = difference(reading(212 * MILLI, 1.1 * MILLI), reading(3 * MILLI, 1.1 * MILLI))
    assert found.change is Change.CHANGED
    assert found.value == pytest.approx(-209 * MILLI)
    assert not found.slight
    assert found.expanded == pytest.approx(math.sqrt(2.0) * 1.1 * MILLI)


def test_offset_that_reads_the_same_within_a_small_u_is_unchanged() -> None:
    found = difference(reading(3.1 * MILLI, MILLI), reading(2.9 * MILLI, MILLI))
    assert found.change is Change.UNCHANGED
    assert found.matters == pytest.approx(20 * MILLI)


def test_a_bench_too_coarse_for_a_change_that_matters_cannot_tell() -> None:
    found = difference(reading(3 * MILLI, 15 * MILLI), reading(3 * MILLI, 15 * MILLI))
    assert found.change is Change.CANNOT_TELL
    assert found.reason == "a change of 20 mV is neither seen nor excluded"


def test_a_certain_change_of_next_to_nothing_is_called_slight() -> None:
    found = difference(reading(3.0 * MILLI, 0.02 * MILLI), reading(3.5 * MILLI, 0.02 * MILLI))
    assert found.change is Change.CHANGED
    assert found.slight


def test_what_was_not_measured_cannot_be_compared_and_says_why() -> None:
    lost = reading(None, 0.0, note="the lead fell off")
    found = difference(lost, reading(3 * MILLI, MILLI))
    assert found == Difference(
        Change.CANNOT_TELL, None, None, None, "not measured before: the lead fell off"
    )


def test_volts_and_watts_are_not_compared() -> None:
    found = difference(reading(1.0, 0.1), reading(1.0, 0.1, unit="W"))
    assert found.change is Change.CANNOT_TELL
    assert found.reason == "the units are V and W"


def test_a_share_and_a_percentage_are_the_same_kind_of_number() -> None:
    before = reading(0.004, 0.0004, unit="", limit=(None, 0.005))
    found = difference(before, reading(0.1, 0.04, unit="%", limit=(None, 0.5)))
    assert found.change is Change.CHANGED
    assert found.value == pytest.approx(-0.3)


def test_a_setting_without_uncertainty_is_unchanged_only_when_it_is_the_same() -> None:
    setting = reading(34.5, 0.0, limit=None)
    assert difference(setting, setting).change is Change.UNCHANGED
    other = difference(setting, reading(34.6, 0.0, limit=None))
    assert other.change is Change.CANNOT_TELL
    assert other.reason == "no uncertainty is stated before and after"
    assert other.value == pytest.approx(0.1)
    assert not other.shared


def test_noise_that_sank_into_the_floor_of_the_bench_has_changed() -> None:
    sides = (None, 2 * MILLI)
    before = reading(1.5 * MILLI, 0.1 * MILLI, limit=sides)
    after = reading(0.2 * MILLI, 0.05 * MILLI, limit=sides, bound=Bound.AT_MOST)
    found = difference(before, after)
    assert found.change is Change.CHANGED
    assert found.value is None  # by how much, nobody knows


def test_noise_in_the_floor_both_times_is_unchanged_when_the_floor_is_low_enough() -> None:
    def floor(value: float) -> Judged:
        return reading(value, 0.01 * MILLI, limit=(None, 2 * MILLI), bound=Bound.AT_MOST)

    assert difference(floor(0.2 * MILLI), floor(0.3 * MILLI)).change is Change.UNCHANGED
    assert difference(floor(0.9 * MILLI), floor(0.3 * MILLI)).change is Change.CANNOT_TELL


def test_a_level_in_the_floor_has_no_lower_end() -> None:
    def floor(value: float) -> Judged:
        return reading(value, 0.1, unit="dB", limit=(None, -50.0), bound=Bound.AT_MOST)

    assert difference(floor(-90.0), floor(-90.0)).change is Change.CANNOT_TELL


@pytest.mark.parametrize(
    ("limit", "unit", "values", "matters"),
    [
        (Limit(15 * MILLI, 35 * MILLI), "A", (0.025, 0.026), 4 * MILLI),
        (Limit(None, 40.0), "K", (33.0, 34.0), 8.0),
        (Limit(40.0, None), "W", (44.0, 45.0), 8.0),
        (Limit(None, -50.0), "dB", (-70.0, -71.0), 1.0),
        (None, "°C", (23.0, 24.0), 1.0),
        (None, "V", (30.0, -30.5), 6.1),
        (Limit(None, 0.0), "V", (0.5, 0.1), 0.1),
    ],
)
def test_what_matters_is_a_fifth_of_what_the_limit_allows(
    limit: Limit | None, unit: str, values: tuple[float, float], matters: float
) -> None:
    assert least_that_matters(limit, unit, values) == pytest.approx(matters)


@pytest.mark.parametrize("share", [0.0, -0.1, 1.1, math.nan])
def test_a_share_that_is_none_is_refused(share: float) -> None:
    with pytest.raises(UsageError):
        difference(reading(1.0, 0.1), reading(1.0, 0.1), share)


def test_by_chance_one_reading_in_twenty_shows_a_change_that_is_none() -> None:
    rng = np.random.default_rng(5)
    n, u1, u2 = 20_000, 1.0, 0.4
    d = rng.normal(0.0, u2, n) - rng.normal(0.0, u1, n)
    expanded = 2.0 * math.hypot(u1, u2)
    changed = sum(classify(x, x, expanded, 1e9) is Change.CHANGED for x in d)
    assert changed / n == pytest.approx(CHANCE, abs=0.005)


def test_a_change_that_matters_is_called_unchanged_in_fewer_than_one_of_forty() -> None:
    rng = np.random.default_rng(6)
    n, u, matters = 20_000, 1.0, 6.0
    d = rng.normal(matters, u, n)  # just as large as matters
    missed = sum(classify(x, x, 2.0 * u, matters) is Change.UNCHANGED for x in d)
    assert missed / n < 0.026


VALUES = st.floats(-1e3, 1e3)
WIDTHS = st.floats(1e-3, 1e3)


@given(VALUES, WIDTHS, VALUES, WIDTHS)
def test_swapping_before_and_after_only_turns_the_sign(
    y1: float, u1: float, y2: float, u2: float
) -> None:
    one, two = reading(y1, u1), reading(y2, u2)
    there, back = difference(one, two), difference(two, one)
    assert there.change is back.change
    assert there.value == pytest.approx(-(back.value or 0.0))
    assert there.expanded == pytest.approx(back.expanded)


@given(VALUES, WIDTHS, VALUES, WIDTHS)
def test_a_coarser_bench_never_says_more(y1: float, u1: float, y2: float, u2: float) -> None:
    fine = difference(reading(y1, u1), reading(y2, u2)).change
    coarse = difference(reading(y1, 3.0 * u1), reading(y2, 3.0 * u2)).change
    assert coarse in (fine, Change.CANNOT_TELL) or fine is Change.CHANGED
    if fine is Change.CANNOT_TELL:
        assert coarse is Change.CANNOT_TELL


def test_bounds_of_counts_that_exclude_one_another_are_a_change() -> None:
    """Bursts "at least 15 Hz" before and "at most 0.05 Hz" after: the bounds are exact already."""
    before = reading(15.0, 0.0, "Hz", None, Bound.AT_LEAST)
    after = reading(0.05, 0.0, "Hz", None, Bound.AT_MOST)
    assert difference(before, after).change is Change.CHANGED
    assert difference(after, before).change is Change.CHANGED
    assert difference(after, reading(0.02, 0.0, "Hz", None, Bound.AT_LEAST)).change is (
        Change.CANNOT_TELL
    )
    assert difference(before, reading(1.0, 0.0, "Hz", None)).change is Change.CANNOT_TELL


@pytest.mark.parametrize(("low", "high"), [(-5.0, 0.1), (-0.1, 5.0), (-5.0, 5.0)])
def test_a_difference_that_may_be_large_either_way_is_not_called_unchanged(
    low: float, high: float
) -> None:
    assert classify(low, high, 0.2, 1.0) is Change.CANNOT_TELL
    assert classify(low / 10.0, high / 10.0, 0.2, 1.0) is Change.UNCHANGED


def test_an_uncertainty_without_end_tells_nothing_and_keeps_the_difference() -> None:
    before = reading(0.01, 0.001)
    endless = (Contribution(Source("all"), math.inf),)
    before = replace(before, reading=replace(before.reading, budget=endless))
    found = difference(before, reading(0.04, 0.001))
    assert found.change is Change.CANNOT_TELL
    assert found.value == pytest.approx(0.03)
    assert found.reason == "an uncertainty is not a finite number"


def test_a_limit_of_before_counts_in_the_unit_of_after() -> None:
    before = reading(0.004, 0.0004, unit="", limit=(None, 0.005))
    found = difference(before, reading(0.4, 0.04, unit="%", limit=None))
    assert found.matters == pytest.approx(0.1)  # a fifth of 0.5 %
