"""Findings, dispositions and changes: where the rule lies between two neighbouring cases."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from findings_cases import HEAD, TWO, offset, patterns, read

from seqrun.errors import UsageError
from seqrun.files.findings.file import Section
from seqrun.judge import decide, difference, dispose, tur, worst_false_accept
from seqrun.judge.change import Change, Difference
from seqrun.judge.condition import Condition
from seqrun.judge.evidence import evidence_of, within
from seqrun.judge.findings import Findings, section_state, weigh
from seqrun.judge.release import refuse_release
from seqrun.judge.together import Told, together
from seqrun.record import RunRow
from seqrun.values import (
    Bound,
    Contribution,
    Disposition,
    Heat,
    Judged,
    Limit,
    Reading,
    Source,
    Verdict,
)


def run(*judged: Judged) -> Told:
    return Told(judged, "ok", "acceptance")


# --- dispositions --------------------------------------------------------------------------------

IDLE = "idle.left"


def step(name: str, value: float | None) -> Judged:
    budget = (Contribution(Source("gain"), 1e-4),) if value is not None else ()
    reading = Reading("idle_current", "A", value, budget)
    return decide(reading, Limit(0.01, 0.04), "guarded", name)


def test_an_accept_names_what_could_not_be_reached_and_what_stood_in_for_it() -> None:
    judged = [step(IDLE, None), step("cold", 0.025)]
    disposition, reason = dispose(judged, "guarded", no_access={IDLE: ["cold"]})
    assert disposition is Disposition.ACCEPT
    assert reason.endswith("; not accessible on this unit: idle.left, for which cold stood in")


def test_a_stand_in_excuses_its_own_step_and_no_other() -> None:
    judged = [step(IDLE, None), step("cold", 0.025), step("idle.right", None)]
    disposition, reason = dispose(judged, "guarded", no_access={IDLE: ["cold"]})
    assert disposition is Disposition.HOLD
    assert "idle.right" in reason and IDLE not in reason


def test_a_step_with_a_stand_in_that_was_read_and_fails_rejects() -> None:
    judged = [step(IDLE, 0.2), step("cold", 0.025)]
    assert dispose(judged, "guarded", no_access={IDLE: ["cold"]})[0] is Disposition.REJECT


# --- signs and what they say ---------------------------------------------------------------------


def test_a_value_in_the_words_of_a_sign_has_three_digits() -> None:
    found = evidence_of(patterns(), [offset(0.123456)], "ok")
    assert found["dc.left"].words == "123 mV of DC at the left output"


@pytest.mark.parametrize(("second", "told"), [(Bound.AT_MOST, None), (Bound.EXACT, True)])
def test_the_largest_of_several_is_meant_as_the_reading_that_is_it(
    second: Bound, told: bool | None
) -> None:
    # 90 mV that is only known to be "at most" does not show more than 50 mV
    text = TWO.replace('unit = "V"', 'unit = "V"\ntake = "largest"')
    text = text.replace("abs(offset.{channel})", "offset.{channel}")
    readings = [
        read("offset.left", "dc_offset", 0.001, "V", "left"),
        read("offset.left", "dc_offset", 0.09, "V", "left", bound=second),
    ]
    assert evidence_of(patterns(text), readings, "ok")["dc.left"].seen is told


def test_two_signs_that_each_explain_the_other_both_tell_nothing() -> None:
    text = TWO.replace('id = "dc.{channel}"', 'id = "dc.{channel}"\nunless = ["also.{channel}"]', 1)
    text += """
[[sign]]
id = "also.{channel}"
each = "channel"
value = "abs(offset.{channel})"
above = "20 mV"
unless = ["dc.{channel}"]
otherwise = 0.1
words = "DC"
"""
    found = evidence_of(patterns(text), [offset(0.09)], "ok")
    assert found["dc.left"].seen is None and found["also.left"].seen is None


def second_fault(often: float, explained: float) -> Findings:
    """A unit whose first cause is plain, with another sign seen that a second cause shows so often,
    against 0.01 with nothing wrong."""
    text = f"""{HEAD}
[[sign]]
id = "tripped"
reason = "tripped*"
otherwise = 0.001
words = "it tripped"

[[sign]]
id = "offset"
verdict = "fail"
quantity = "dc_offset"
otherwise = 0.01
words = "DC"

[[cause]]
id = "short"
title = "a short"
next = "look"
[cause.seen]
"tripped" = 0.99
"offset" = {explained}

[[cause]]
id = "pair"
title = "the input pair"
next = "look"
weight = 0.001
[cause.seen]
"offset" = {often}
"""
    bad = read("offset", "dc_offset", 0.5, "V", "left", Verdict.FAIL)
    found = weigh(patterns(text), [bad], "tripped: a short")
    assert found.causes[0].id == "short"
    return found


def test_a_second_fault_is_named_when_its_signs_are_twenty_times_likelier_with_it() -> None:
    assert second_fault(0.25, 0.01).beside == "the input pair"
    assert second_fault(0.25, 0.01).unexplained == ("DC",)
    assert second_fault(0.15, 0.01).beside == ""


def test_a_sign_twice_as_likely_with_the_first_cause_is_explained_by_it() -> None:
    assert second_fault(0.5, 0.015).beside == "the input pair"
    assert second_fault(0.5, 0.025).beside == ""


# --- sections ------------------------------------------------------------------------------------

STAGE = Section(id="s", title="stage", good=("dc_offset", "noise"), on=("left",))


def noise(verdict: Verdict) -> Judged:
    return read("noise.left", "noise", 1e-4, "V", "left", verdict)


def test_a_section_rests_on_the_readings_of_all_its_quantities() -> None:
    found = section_state(STAGE, within([offset(0.0), offset(0.0), noise(Verdict.PASS)]))
    assert (found.state, found.readings) == ("good", 3)


@pytest.mark.parametrize(
    ("verdict", "state"),
    [
        (Verdict.CONDITIONAL_PASS, "not told"),
        (Verdict.NOT_MEASURED, "not told"),
        (Verdict.CONDITIONAL_FAIL, "suspect"),
    ],
)
def test_a_section_with_one_doubtful_quantity_is_not_good(verdict: Verdict, state: str) -> None:
    assert section_state(STAGE, within([offset(0.0), noise(verdict)])).state == state


def test_a_section_may_lie_in_several_channels() -> None:
    both = Section(id="s", title="s", good=("dc_offset",), on=("left", "right"))
    assert section_state(both, within([offset(0.0)])).state == "good"
    assert section_state(both, within([offset(0.0, "right")])).readings == 1
    elsewhere = read("offset.rear", "dc_offset", 0.0, "V", "rear")
    assert section_state(both, within([elsewhere])).state == "not told"


def test_one_doubtful_reading_among_passes_of_a_quantity_is_enough() -> None:
    readings = [offset(0.0), noise(Verdict.PASS), noise(Verdict.CONDITIONAL_PASS)]
    assert section_state(STAGE, within(readings)).state == "not told"


def test_a_section_with_a_fail_stays_suspect_whatever_else_is_good() -> None:
    bad = read("offset.left", "dc_offset", 0.9, "V", "left", Verdict.FAIL)
    assert section_state(STAGE, within([bad, noise(Verdict.PASS)])).state == "suspect"
    assert section_state(STAGE, within([bad])).state == "suspect"


# --- several runs --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("runs", "words"),
    [((0.09, 0.001, 0.08), "80 mV of DC"), ((0.09, 0.001, 0.002), "not: 2 mV of DC")],
)
def test_where_runs_disagree_the_latest_of_the_majority_speaks(
    runs: tuple[float, ...], words: str
) -> None:
    found = together(patterns(), [run(offset(volts)) for volts in runs])
    (cause,) = (c for c in found.causes if c.id == "offset.left")
    (reason,) = (r for r in cause.reasons if r.sign == "dc.left")
    assert reason.words.startswith(words)


def test_a_place_hands_on_what_speaks_for_it_to_each_cause_that_one_of_its_patterns_names() -> None:
    text = (
        TWO
        + """
[[sign]]
id = "cut"
verdict = "fail"
quantity = "hum_disturbance"
otherwise = 0.01
words = "it stays with the path cut"

[[cause]]
id = "place"
title = "the power stage"
next = "look"
holds = ["offset.*", "nothing_there.*"]
[cause.seen]
"cut" = 0.9
"""
    )
    stays = read("hum.left", "hum_disturbance", 0.5, "V", "left", Verdict.FAIL)
    found = {c.id: c for c in together(patterns(text), [run(stays)]).causes}
    assert "cut" in {r.sign for r in found["offset.left"].reasons}
    assert "cut" not in {r.sign for r in found["short"].reasons}


def test_a_repair_of_nothing_found_closes_all_that_was_told_before_it() -> None:
    silent = read("gain", "gain", 29.0, "dB", "left")
    before = [run(offset(0.001), offset(0.001, "right"))]
    closed = together(patterns(), before, [run(silent)], worked=True)
    fresh = together(patterns(), [run(silent)])
    assert {c.id: c.probability for c in closed.causes} == {
        c.id: pytest.approx(c.probability) for c in fresh.causes
    }


# --- conditions, changes, ratios -----------------------------------------------------------------


def test_readings_at_frequencies_within_ten_percent_are_alike() -> None:
    at = [
        Condition(Heat.COLD, "gain", ((hertz, "Hz"),)) for hertz in (1000.0, 1050.0, 1130.0, 800.0)
    ]
    assert at[0].alike(at[1])
    assert not at[0].alike(at[2]) and not at[0].alike(at[3])


@pytest.mark.parametrize(
    ("change", "expanded", "slight"), [(0.5, 0.45, True), (0.5, 0.6, False), (-0.5, 0.6, False)]
)
def test_a_change_is_slight_when_all_of_its_interval_is_too_small_to_matter(
    change: float, expanded: float, slight: bool
) -> None:
    assert Difference(Change.CHANGED, change, expanded, 1.0).slight is slight


@pytest.mark.parametrize(
    ("u", "change"), [(0.4, Change.CHANGED), (0.7, Change.CANNOT_TELL)], ids=["apart", "near"]
)
@pytest.mark.parametrize("later_is_larger", [True, False])
def test_a_count_at_least_15_and_a_reading_of_14_differ_by_more_than_u_or_not(
    u: float, change: Change, later_is_larger: bool
) -> None:
    counted = Reading("bursts", "Hz", 15.0, (), "left", Bound.AT_LEAST)
    other = Reading("bursts", "Hz", 14.0, (Contribution(Source("all"), u),), "left")
    pair = [decide(r, None, "guarded", "bursts") for r in (other, counted)]
    before, after = pair if later_is_larger else reversed(pair)
    assert difference(before, after).change is change


def test_a_single_lower_limit_has_its_ratio_by_the_distance_from_what_is_expected() -> None:
    assert tur(Limit(low=40.0), 2.0, expected=50.0) == pytest.approx(5.0)
    assert tur(Limit(low=40.0), 2.0, expected=40.0) == pytest.approx(20.0)


def test_no_limit_no_risk() -> None:
    assert worst_false_accept(1.0, Limit()) == 0.0


def test_a_reading_whose_uncertainty_is_no_number_keeps_no_budget() -> None:
    budget = (Contribution(Source("gain"), math.inf),)
    judged = decide(Reading("gain", "dB", 29.0, budget), Limit(28.0, 30.0), "guarded", "gain")
    assert judged.verdict is Verdict.NOT_MEASURED and judged.reading.budget == ()


# --- release -------------------------------------------------------------------------------------

RUN = RunRow(
    *("20260105T090000000Z-A-1-000000", "2026-01-05T09:00:00Z", "2026-01-05T10:00:00Z", "A-1"),
    *("Example", "acceptance", "A", "bench", "me", Disposition.ACCEPT, "", False, "0"),
)


def test_an_accept_of_a_sequence_that_does_not_release_hands_nothing_out() -> None:
    with pytest.raises(UsageError, match="'acceptance' does not release a unit"):
        refuse_release(RUN, releases=False)


def test_a_refusal_tells_why_the_run_was_no_accept() -> None:
    held = replace(RUN, disposition=Disposition.HOLD, reason="conditional pass: offset.left")
    with pytest.raises(UsageError) as told:
        refuse_release(held, releases=True)
    assert told.value.found == "the run is hold: conditional pass: offset.left"
    with pytest.raises(UsageError) as told:
        refuse_release(replace(held, reason=""), releases=True)
    assert told.value.found == "the run is hold"
