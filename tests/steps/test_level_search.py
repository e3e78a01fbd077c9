"""What level a generator is set to next."""

from __future__ import annotations

import pytest

from seqrun.steps.common.level_search import next_level

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
