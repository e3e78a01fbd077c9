"""The bar of a limit: what the eye sees must agree with the numbers."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_run import a_row
from pytest import approx

from seqrun.quantity import render
from seqrun.report.shared.drawings import limit_bar
from seqrun.report.shared.rows import Row
from seqrun.report.shared.scale import LOWER_AT, UPPER_AT, bar, text_bar

LIMITS = st.sampled_from([(-0.05, 0.05), (None, 0.05), (0.01, None), (None, -60.0), (2.0, 9.0)])
VALUES = st.floats(-200.0, 200.0)
UNCERTAINTIES = st.one_of(st.just(0.0), st.floats(1e-6, 20.0))


def some_row(value: float, u: float, limits: tuple[float | None, float | None], unit: str) -> Row:
    return a_row(value=value, u=u, low=limits[0], high=limits[1], unit=unit)


ROWS = st.builds(some_row, VALUES, UNCERTAINTIES, LIMITS, st.sampled_from(["V", "dB", "K"]))


@given(ROWS)
def test_a_reading_lies_on_the_side_of_its_limit_where_its_margin_says(row: Row) -> None:
    shape = bar(row)
    assert shape is not None
    if shape.high is not None and row.limit_high is not None:
        assert (shape.value > shape.high) == (row.value > row.limit_high)  # type: ignore[operator]
    if shape.low is not None and row.limit_low is not None:
        assert (shape.value < shape.low) == (row.value < row.limit_low)  # type: ignore[operator]


@given(ROWS)
def test_limits_stand_in_the_same_places_in_every_bar(row: Row) -> None:
    shape = bar(row)
    assert shape is not None
    assert shape.high in (None, approx(UPPER_AT))
    assert shape.low in (None, approx(LOWER_AT))
    assert shape.high is not None or shape.low is not None


@given(ROWS)
def test_the_text_bar_has_its_width_and_its_mark_on_the_right_side(row: Row) -> None:
    text = text_bar(row, 13, ascii_only=True)
    assert len(text) == 13
    assert text.isascii()
    mark = next(i for i, c in enumerate(text) if c in "ox<>")
    edges = [i for i, c in enumerate(text) if c == "|"]
    shape = bar(row)
    assert shape is not None
    if shape.high is not None and text[edges[-1]] == "|" and row.limit_high is not None:
        assert (mark > edges[-1]) == (row.value > row.limit_high)  # type: ignore[operator]


def test_a_reading_close_to_its_limit_gets_a_stretched_scale_that_shows_the_gap() -> None:
    near = bar(a_row(value=0.0499, u=0.00001))
    assert near is not None
    assert near.high is not None
    assert near.stretched > 10.0
    assert near.high - near.value > 0.1


def test_a_comfortable_reading_has_the_plain_scale() -> None:
    plain = bar(a_row(value=0.003))
    assert plain is not None
    assert plain.stretched == 1.0
    assert plain.value == approx(LOWER_AT + (0.053 / 0.1) * (UPPER_AT - LOWER_AT))


def test_an_upper_limit_is_drawn_from_zero() -> None:
    rise = bar(a_row(value=20.0, u=0.5, low=None, high=40.0, unit="K"))
    assert rise is not None
    assert rise.zero == approx(0.0)
    assert rise.value == approx(UPPER_AT / 2.0)


def test_guard_band_and_interval_are_as_wide_as_u_on_one_scale() -> None:
    shape = bar(a_row(value=20.0, u=4.0, low=None, high=40.0, unit="K"))
    assert shape is not None
    assert shape.guard == approx(shape.half) == approx(0.1 * UPPER_AT)


def test_a_simple_decision_has_no_guard_band() -> None:
    shape = bar(a_row(decision="simple"))
    assert shape is not None
    assert shape.guard == 0.0


def test_a_reading_far_beyond_is_shown_off_scale_and_not_within() -> None:
    shape = bar(a_row(value=5.0))
    assert shape is not None
    assert shape.off_right
    assert text_bar(a_row(value=5.0), ascii_only=True).endswith(">")


def test_what_was_not_measured_has_no_bar() -> None:
    assert bar(a_row(value=None)) is None
    assert text_bar(a_row(value=None)) == ""


def test_a_stretched_scale_shows_its_axis_broken() -> None:
    assert text_bar(a_row(value=1.98, u=0.01, low=None, high=2.0), ascii_only=True)[0] == "~"
    assert "~" not in text_bar(a_row(value=1.57, u=0.01, low=None, high=2.0), ascii_only=True)


@pytest.mark.parametrize(("value", "high", "told"), [(0.057, 0.04, False), (5.0, 1.0, True)])
def test_the_label_of_a_reading_off_the_scale_keeps_clear_of_the_limits(
    value: float, high: float, told: bool
) -> None:
    """57 mA stands only in the column beside the bar; 5 V has room beside 1 V."""
    row = some_row(value, 0.01 * value, (0.3 * high, high), "A" if high < 1.0 else "V")
    labels = re.findall(r">([^<>]+)</text>", limit_bar(row))
    assert (render(value, row.unit, digits=3) in labels) is told
