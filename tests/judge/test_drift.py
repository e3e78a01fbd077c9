"""Readings on a straight line: whether it drifts, and which limit it runs into."""

from __future__ import annotations

import math

import pytest

from seqrun.judge import Change
from seqrun.judge.drift import drift
from seqrun.measure.trend import StraightLine
from seqrun.values import Limit

DAY_S = 86400.0
OFFSET = Limit(-0.05, 0.05)  # V; a fifth of it is 20 mV


def moving(from_v: float, to_v: float, u_v: float, days: float = 10.0) -> StraightLine:
    """A line from one value to another within some days, each end known to ``u_v`` (k = 2)."""
    end = days * DAY_S
    slope = (to_v - from_v) / end
    return StraightLine(11, 0.0, end, (from_v + to_v) / 2.0, end / 2.0, slope, 0.0, 0.0, u_v / end)


@pytest.mark.parametrize(
    ("line", "change", "slight"),
    [
        (moving(0.0, 0.030, 0.002), Change.CHANGED, False),
        (moving(0.030, 0.0, 0.002), Change.CHANGED, False),
        (moving(0.0, 0.010, 0.002), Change.CHANGED, True),
        (moving(0.010, 0.0, 0.002), Change.CHANGED, True),
        (moving(0.0, 0.019, 0.002), Change.CHANGED, False),  # it may be more than 20 mV
        (moving(0.019, 0.0, 0.002), Change.CHANGED, False),
        (moving(0.0, 0.001, 0.002), Change.UNCHANGED, False),
        (moving(0.0, 0.001, 0.050), Change.CANNOT_TELL, False),
    ],
)
def test_a_line_drifts_when_it_moves_by_more_than_its_uncertainty(
    line: StraightLine, change: Change, slight: bool
) -> None:
    found = drift(line, OFFSET, "V")
    assert (found.change, found.slight) == (change, slight)
    assert found.matters == pytest.approx(0.020)


def test_too_few_readings_or_all_at_one_moment_make_no_line() -> None:
    assert drift(None, OFFSET, "V").change is None
    none = drift(moving(0.0, math.nan, 0.002), OFFSET, "V")
    assert none.change is None
    assert not none.slight
    assert none.reaches is None


@pytest.mark.parametrize(
    ("line", "side", "after_days"),
    [
        (moving(0.0, 0.030, 0.001), 0.05, 20.0 / 3.0),
        (moving(0.0, -0.030, 0.001), -0.05, 20.0 / 3.0),
        (moving(-0.020, 0.010, 0.001), 0.05, 40.0 / 3.0),
    ],
)
def test_an_offset_that_drifts_meets_the_limit_on_its_side(
    line: StraightLine, side: float, after_days: float
) -> None:
    found = drift(line, OFFSET, "V")
    assert found.reaches is not None
    limit, when = found.reaches
    assert limit == side
    assert when == pytest.approx((10.0 + after_days) * DAY_S)


@pytest.mark.parametrize(
    ("line", "limit"),
    [
        (moving(-0.045, -0.023, 0.001), OFFSET),  # 33 days on; ten days tell of twenty
        (moving(0.040, 0.070, 0.001), OFFSET),  # it is past it already
        (moving(0.0, -0.030, 0.001), Limit(None, 0.05)),  # away from its only limit
        (moving(0.0, 0.030, 0.001), None),
        (moving(0.0, 0.010, 0.002), OFFSET),  # slight
        (moving(0.0490, 0.0495, 0.002), OFFSET),  # not shown to move at all
        (moving(0.0, 0.0, 0.050), OFFSET),  # nobody knows
    ],
)
def test_a_limit_is_foretold_only_within_twice_the_time_that_was_looked_at(
    line: StraightLine, limit: Limit | None
) -> None:
    assert drift(line, limit, "V", (0.1, 0.1)).reaches is None


@pytest.mark.parametrize(("high", "days"), [(0.087, 19.0), (0.093, None)])
def test_ten_days_of_readings_tell_of_the_next_twenty(high: float, days: float | None) -> None:
    """3 mV a day: 57 mV more are 19 days off, 63 mV are 21."""
    found = drift(moving(0.0, 0.030, 0.001), Limit(None, high), "V", share=0.1)
    assert found.change is Change.CHANGED
    assert not found.slight
    reached = None if found.reaches is None else found.reaches[1] / DAY_S - 10.0
    assert reached == (None if days is None else pytest.approx(days))


def test_a_limit_that_is_run_into_at_once_is_told_and_one_that_lies_behind_is_not() -> None:
    """Half a second before it, and half a second beyond."""
    for beyond, told in ((-0.5, True), (0.5, False)):
        line = moving(0.0, 0.05, 0.002)
        limit = Limit(high=line.at(line.end) - beyond * line.slope)
        reaches = drift(line, limit, "V").reaches
        assert (reaches is not None) is told
        if reaches is not None:
            assert reaches[1] - line.end == pytest.approx(0.5, rel=1e-3)
