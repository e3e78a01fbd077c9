"""What level a generator is set to next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest_mock import MockerFixture

from seqrun.steps.common.drive import Drive
from seqrun.steps.common.level_search import lower_level, next_level

GAIN, OFF = 54.0, 1e-3  # of a phono input, and what a generator of millivolts is off by, V


def test_a_generator_that_is_off_by_a_millivolt_is_set_right_by_the_third_level() -> None:
    seen = []
    level = 0.5 * 0.4 / GAIN
    for _ in range(2):
        seen.append((level, GAIN * (level - OFF)))
        level = next_level(seen, 0.4)
    assert GAIN * (level - OFF) == pytest.approx(0.4, rel=1e-6)


def test_what_is_in_proportion_is_set_by_the_ratio() -> None:
    assert next_level([(0.1, 2.0), (0.2, 4.0)], 10.0) == pytest.approx(0.5)
    assert next_level([(0.2, 4.0)], 10.0) == pytest.approx(0.5)


def test_an_output_that_clips_is_driven_no_harder_for_it() -> None:
    """From 30 V on it gives a tenth of what it should: by that line it would take far more."""
    by_ratio = 40.0 * 2.2 / 31.0
    assert next_level([(2.0, 30.0), (2.2, 31.0)], 40.0) == pytest.approx(by_ratio)


@pytest.mark.parametrize(
    "before",
    [(0.2, 4.1), (0.201, 3.9), (0.3, 3.0), (0.21, 3.99), (0.5, 0.0)],
    ids=["the same level", "too near", "falling", "flat", "clipped"],
)
def test_a_line_that_says_nothing_is_not_followed(before: tuple[float, float]) -> None:
    """Two readings at one level, a gain that falls, and a record that was clipped."""
    assert next_level([before, (0.2, 4.0)], 10.0) == pytest.approx(0.5)


@given(off=st.floats(0.0, 0.85), top=st.floats(1.05, 1.6), gain=st.floats(5.0, 300.0))
def test_a_level_is_found_whatever_a_generator_of_millivolts_is_off_by(
    off: float, top: float, gain: float
) -> None:
    """Of the first level, half of what is wanted, that share is missing; the scope's range ends at
    ``top`` times what is wanted, and the gain is taken for what it was seen to be."""
    wanted, level = 0.4, 0.5 * 0.4 / gain
    less, seen, whole = off * level, [], 0
    while whole < 4:
        volts = gain * (level - less)
        seen.append((level, volts if volts <= top * wanted else 0.0))
        assert len(seen) < 12
        if seen[-1][1] > 0.0:
            whole += 1
            if abs(volts / wanted - 1.0) < 0.01:
                return
            level = next_level(seen, wanted)
        else:
            level = lower_level(seen, level)
    raise AssertionError(seen)


def test_an_output_beyond_the_range_from_the_start_is_given_a_quarter() -> None:
    assert lower_level([(0.2, 0.0)], 0.2) == pytest.approx(0.05)
    assert lower_level([(0.3, 5.0), (0.2, 0.0)], 0.2) == pytest.approx(0.05)  # a level above


def test_a_power_is_reached_with_a_generator_that_is_off_by_millivolts(
    powered: Callable[..., Any], mocker: MockerFixture
) -> None:
    put = Drive.put
    mocker.patch.object(Drive, "put", lambda self, n, v: put(self, n, max(v - 3.57e-3, 0.0)))
    read = powered(seed=175).do('[[step]]\nid = "s"\ndo = "thd"\npower = "0.02 W"\n')
    assert read.one("thd", "left").value < 1.0
