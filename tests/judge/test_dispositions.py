"""From verdicts to the disposition of the unit."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.judge import decide, dispose, held, weighed
from seqrun.judge.disposition import stood_in
from seqrun.values import Contribution, Disposition, Judged, Limit, Reading, Source, Verdict

LIMIT = Limit(-0.05, 0.05)
BUDGET = (Contribution(Source("gain"), 0.0005),)


def judged(volts: float | None, limit: Limit | None = LIMIT, decision: str = "guarded") -> Judged:
    note = "" if volts is not None else "the meter went silent"
    held = Reading("dc_offset", "V", volts, BUDGET if volts is not None else (), note=note)
    return decide(held, limit, decision, "offset.left")


PASS = judged(0.001)
CONDITIONAL_PASS = judged(0.0495)
CONDITIONAL_FAIL = judged(0.0505)
FAIL = judged(0.6)
MISSING = judged(None)
UNLIMITED = judged(0.001, None)
anything = st.lists(
    st.sampled_from((PASS, CONDITIONAL_PASS, CONDITIONAL_FAIL, FAIL, MISSING, UNLIMITED))
)


def test_all_limits_passed_is_an_accept() -> None:
    assert dispose([PASS, UNLIMITED, PASS], "guarded")[0] is Disposition.ACCEPT


def test_one_fail_rejects_and_the_reason_names_it() -> None:
    disposition, reason = dispose([PASS, FAIL, MISSING], "guarded")
    assert disposition is Disposition.REJECT
    assert "offset.left" in reason
    assert "600 mV" in reason


@pytest.mark.parametrize("doubt", [CONDITIONAL_PASS, CONDITIONAL_FAIL, MISSING])
def test_any_doubt_holds_the_unit(doubt: Judged) -> None:
    disposition, reason = dispose([PASS, doubt], "guarded")
    assert disposition is Disposition.HOLD
    assert str(doubt.verdict) in reason


def test_not_measured_holds_under_simple_acceptance_too() -> None:
    readings = [judged(0.001, decision="simple"), judged(None, decision="simple")]
    assert dispose(readings, "simple")[0] is Disposition.HOLD


def test_no_readings_at_all_is_no_accept() -> None:
    assert dispose([], "guarded")[0] is Disposition.HOLD
    assert dispose([UNLIMITED], "guarded")[0] is Disposition.HOLD


def test_a_limit_that_was_never_reached_is_no_accept() -> None:
    disposition, reason = dispose([PASS], "guarded", unreached=["power.left"])
    assert disposition is Disposition.HOLD
    assert "power.left" in reason


@given(anything, st.lists(st.just("power.left")), st.none() | st.text())
def test_accept_needs_a_pass_and_nothing_against(
    readings: list[Judged], unreached: list[str], aborted: str | None
) -> None:
    disposition, reason = dispose(readings, "guarded", aborted, unreached)
    verdicts = {j.verdict for j in readings}
    clean = verdicts <= {Verdict.PASS, Verdict.NONE} and Verdict.PASS in verdicts
    assert (disposition is Disposition.ACCEPT) == (clean and not unreached and aborted is None)
    assert reason
    assert "\n" not in reason


@given(anything, st.text())
def test_a_run_that_was_ended_early_is_aborted_whatever_it_read(
    readings: list[Judged], why: str
) -> None:
    assert dispose(readings, "guarded", why)[0] is Disposition.ABORTED


def test_a_trip_after_a_fail_tells_both() -> None:
    _, reason = dispose([FAIL], "guarded", "supply current is 2.6 A: a shorted output device")
    assert "2.6 A" in reason
    assert "offset.left" in reason


def test_a_long_list_of_fails_is_cut_and_counted() -> None:
    _, reason = dispose([FAIL] * 10, "guarded")
    assert "7 more" in reason
    assert len(reason) < 120


@pytest.mark.parametrize("disposition", list(Disposition))
@pytest.mark.parametrize("of_bench", [True, False])
def test_any_likely_cause_takes_back_an_accept_and_a_bench_mistake_a_reject(
    disposition: Disposition, of_bench: bool
) -> None:
    found, reason = weighed(disposition, "as read", "the probe is set wrong", of_bench=of_bench)
    accepted = disposition is Disposition.ACCEPT
    explained = disposition is Disposition.REJECT and of_bench
    assert found is (Disposition.HOLD if accepted or explained else disposition)
    assert ("the probe is set wrong" in reason) is (accepted or explained)
    assert "as read" in reason


@pytest.mark.parametrize("disposition", list(Disposition))
def test_without_a_likely_cause_everything_stays(disposition: Disposition) -> None:
    assert weighed(disposition, "as read", "", of_bench=True) == (disposition, "as read")


@pytest.mark.parametrize("disposition", list(Disposition))
def test_what_stands_against_an_accept_makes_it_a_hold_and_is_told_in_any_case(
    disposition: Disposition,
) -> None:
    found, reason = held(disposition, "as read", ["nobody watched for 25 s"])
    accepted = disposition is Disposition.ACCEPT
    assert found is (Disposition.HOLD if accepted else disposition)
    assert "nobody watched for 25 s" in reason
    assert held(disposition, "as read", []) == (disposition, "as read")


@pytest.mark.parametrize(
    ("decision", "words"),
    [("guarded", "met, with guard band U"), ("simple", "met, by simple acceptance")],
)
def test_an_accept_says_by_which_rule(decision: str, words: str) -> None:
    assert dispose([PASS], decision)[1] == f"the one limit is {words}"
    assert dispose([PASS, PASS], decision)[1] == f"all 2 limits are {words}"


def test_a_step_stands_in_for_another_when_all_that_it_judged_passed_and_something_was() -> None:
    shown = replace(PASS, step="shown", limit=None, verdict=Verdict.NONE)
    mixed = [replace(PASS, step="mixed"), replace(FAIL, step="mixed")]
    readings = [replace(PASS, step="good"), shown, *mixed]
    assert stood_in(readings, ["good", "shown", "mixed", "gone"]) == ["good"]
