"""A reading in words: what a technician reads must follow from the numbers."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st
from invented_run import a_row, bad, good

from seqrun.report.shared.rows import Row
from seqrun.report.shared.verdicts import (
    closest,
    deciding,
    kept,
    next_actions,
    rule_in_words,
    tight,
    worst_first,
)
from seqrun.values import Bound, Disposition, Verdict


def test_an_offset_over_its_limit_says_by_how_much_and_how_many_u() -> None:
    row = a_row("offset.right", channel="right", value=0.212, u=0.002)
    assert row.sentence.startswith("DC offset, right (offset.right) is 212.0 ± ")
    assert "162 mV above the limit of 50 mV" in row.sentence
    assert "times its uncertainty U" in row.sentence


def test_a_power_below_its_limit_is_below_and_not_above() -> None:
    row = a_row("power", "output_power", "left", 37.0, "W", 0.5, 40.0, None)
    assert "3 W below the limit of 40 W" in row.sentence


def test_a_reading_beyond_by_less_than_u_says_that_it_is_within_its_uncertainty() -> None:
    row = a_row(value=0.0502, u=0.001)
    assert row.verdict is Verdict.CONDITIONAL_FAIL
    assert "by less than its uncertainty U" in row.sentence


def test_what_was_not_measured_gives_the_reason_and_no_number() -> None:
    row = a_row(value=None, note="sensor fallen off")
    assert row.sentence == "DC offset, left (offset.left): not measured: sensor fallen off."
    assert row.shown == "not measured"
    assert row.margin is None


def test_a_reading_in_the_instruments_floor_is_at_most_and_has_no_plus_minus() -> None:
    row = a_row("thd", "thd", "left", 0.021, "%", 0.004, None, 0.5, bound=Bound.AT_MOST)
    assert row.shown == "at most 0.021 %"
    assert row.name == "THD, left"


def test_a_bound_that_decides_nothing_is_not_called_a_margin() -> None:
    row = a_row("thd", "thd", "left", 0.6, "%", 0.04, None, 0.5, bound=Bound.AT_MOST)
    assert row.verdict is Verdict.NOT_MEASURED
    assert "decides nothing" in row.sentence


def test_a_certain_reading_is_never_called_certain() -> None:
    row = a_row()
    assert row.conformance_probability == 1.0
    assert row.probability_shown == "> 99.99 %"


def test_shares_of_a_budget_are_shares_of_the_variance() -> None:
    row = a_row()
    shares = [float(row.share_shown(line).removesuffix(" %")) for line in row.budget]
    assert math.isclose(sum(shares), 100.0, abs_tol=0.2)
    assert math.isclose(shares[0], 100.0 * 0.16 / 0.25, abs_tol=0.1)


def test_a_share_of_a_record_with_absurd_numbers_is_a_share_all_the_same() -> None:
    row = a_row(u=1e200)
    assert [row.share_shown(line) for line in row.budget] == ["64.0 %", "36.0 %"]


@given(
    st.floats(-1.0, 1.0),
    st.floats(0.0, 0.2),
    st.sampled_from([(-0.05, 0.05), (None, 0.05), (-0.05, None)]),
)
def test_the_margin_is_negative_exactly_when_the_limit_is_broken(
    value: float, u: float, limits: tuple[float | None, float | None]
) -> None:
    low, high = limits
    row = a_row(value=value, u=u, low=low, high=high)
    broken = (low is not None and value < low) or (high is not None and value > high)
    assert row.margin is not None
    assert (row.margin < 0.0) == broken
    assert row.failing == broken


def test_the_clearest_fail_is_named_first_and_passes_are_not_named() -> None:
    rows = [Row.of(j) for j in bad()]
    against = worst_first(rows)
    assert against[0].step == "offset.right"
    assert all(row.verdict is not Verdict.PASS for row in against)
    assert len(against) == 5


def test_the_reading_with_least_room_is_told_when_all_pass() -> None:
    rows = [Row.of(j) for j in good()]
    nearest = closest(rows)
    assert nearest is not None
    assert nearest.step == "power.right"  # 43.9 W of at least 40 W: a tenth of its limit
    said = deciding(rows, Disposition.ACCEPT, "all met")
    assert said[0].row is nearest
    assert said[0].text.startswith("All 19 limits are met.")


def test_an_aborted_run_gives_its_reason_first_even_when_a_reading_failed() -> None:
    said = deciding([Row.of(j) for j in bad()], Disposition.ABORTED, "supply_current is 2.7 A")
    assert said[0].text == "Supply current is 2.7 A."


def test_a_step_that_was_never_reached_is_among_what_decided_a_hold() -> None:
    said = deciding([Row.of(j) for j in good()], Disposition.HOLD, "never reached: power.left")
    assert any("power.left" in s.text for s in said)


def test_only_an_accept_lets_the_unit_go_back_into_use() -> None:
    rows = [Row.of(j) for j in bad()]
    for disposition in (Disposition.HOLD, Disposition.REJECT, Disposition.ABORTED):
        assert not any("may go back" in text for text in next_actions(rows, disposition))


def test_after_an_abort_the_rails_count_as_charged() -> None:
    assert "2 V" in next_actions([], Disposition.ABORTED)[0]


def test_the_two_decision_rules_are_told_apart() -> None:
    assert "Guarded" in rule_in_words("guarded")[0]
    assert "w = 0" in rule_in_words("simple")[0]


def test_many_readings_lost_for_one_reason_are_told_in_one_sentence() -> None:
    steps = [f"idle.left.upper.{n}" for n in range(1, 5)]
    rows = [a_row(s, "idle_current", value=None, note="meter lead off") for s in steps]
    said = deciding(rows, Disposition.HOLD, "not measured")
    assert [s.text for s in said] == [
        "Idle current: 4 readings not measured; the first is idle.left.upper.1: meter lead off."
    ]


def test_every_judged_row_is_shown_once_open_or_in_the_group_of_its_quantity() -> None:
    rows = [Row.of(j) for j in bad() if j.verdict is not Verdict.NONE]
    open_ = tight(rows)
    grouped = [row for _, _, group in kept(rows) for row in group]
    assert sorted(r.step for r in [*open_, *grouped]) == sorted(r.step for r in rows)
    assert all(row in open_ for row in worst_first(rows))
    assert all(row.verdict is Verdict.PASS for row in grouped)


def test_a_pass_with_little_room_stands_open() -> None:
    near, far = a_row(value=0.046), a_row("b", value=0.003)
    assert tight([near, far]) == [near]
    assert kept([near, far]) == [("DC offset", far, [far])]
