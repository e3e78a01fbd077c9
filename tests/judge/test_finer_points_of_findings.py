"""What findings take over from their files and readings, each to the letter."""

from __future__ import annotations

from dataclasses import replace

import pytest
from findings_cases import HEAD, TWO, offset, patterns, read

from seqrun.files.costs import CostSheet
from seqrun.judge import decide, difference
from seqrun.judge.condition import conditions
from seqrun.judge.evidence import evidence_of, rests_on, within
from seqrun.judge.findings import Finding, Findings, weigh
from seqrun.judge.release import PartOfUnit
from seqrun.judge.salvage import advise
from seqrun.values import Bound, Contribution, Judged, Limit, Reading, Source, Verdict

BOTH = (
    HEAD
    + """
[[value]]
id = "v"
unit = "A"
quantity = "idle_current"
take = "TAKE"
[[sign]]
id = "over"
value = "v"
above = "1 mA"
words = "{value}"
[[sign]]
id = "under"
value = "v"
below = "1 A"
words = "{value}"
[[cause]]
id = "c"
title = "c"
next = "look"
[cause.seen]
over = "always"
under = "always"
"""
)


@pytest.mark.parametrize(
    ("take", "over", "under"),
    [
        ("first", True, True),  # exact
        ("last", None, True),  # at most
        ("largest", True, None),  # at least
        ("smallest", True, True),
        ("mean", True, None),  # one of them is at least so much
        ("spread", True, True),
    ],
)
def test_a_value_is_as_much_of_a_bound_as_the_reading_that_it_was_taken_from(
    take: str, over: bool | None, under: bool | None
) -> None:
    run = [
        read(f"cold.{n}", "idle_current", amperes, "A", f"left.{n}", bound=bound)
        for n, (amperes, bound) in enumerate(
            [(0.02, Bound.EXACT), (0.04, Bound.AT_LEAST), (0.03, Bound.AT_MOST)]
        )
    ]
    found = evidence_of(patterns(BOTH.replace("TAKE", take)), run, "")
    assert (found["over"].seen, found["under"].seen) == (over, under)


def test_a_sign_rests_on_the_readings_that_it_names_itself_and_on_those_of_its_values() -> None:
    run = within([offset(0.2), read("noise", "noise", 1e-3, "V", "left")])
    signs = {sign.id: sign for sign in patterns().signs}
    one = {("offset.left", "dc_offset", "left")}
    assert rests_on(patterns(), signs["unsettled.left"], run) == one  # named itself
    assert rests_on(patterns(), signs["dc.left"], run) == one  # by way of its value
    assert rests_on(patterns(), signs["dc.right"], run) == frozenset()
    assert rests_on(patterns(), signs["tripped_low"], run) == frozenset()


@pytest.mark.parametrize("work", ["off", "powered"])
def test_a_finding_says_what_its_cause_says_of_the_work(work: str) -> None:
    text = TWO.replace('next = "look at the input pair"', f'next = "look"\nwork = "{work}"')
    told = {one.id: one.work for one in weigh(patterns(text), [offset(0.2)]).causes}
    assert (told["offset.left"], told["short"]) == (work, "")


def test_one_sign_that_was_told_is_enough_for_a_run_to_have_spoken() -> None:
    assert weigh(patterns(), [offset(0.2)]).spoken
    assert not weigh(patterns(BOTH.replace("TAKE", "first")), [offset(0.2)]).spoken


@pytest.mark.parametrize(("amperes", "over"), [(1.0e-3, False), (1.001e-3, True)])
def test_a_value_on_its_threshold_is_not_beyond_it(amperes: float, over: bool) -> None:
    run = [read("cold.1", "idle_current", amperes, "A", "left.1")]
    assert evidence_of(patterns(BOTH.replace("TAKE", "first")), run, "")["over"].seen is over


def test_a_reading_that_was_not_made_is_under_its_step_s_condition_without_numbers() -> None:
    lost = Judged(
        Reading("thd", "%", None, note="1 kHz: no tone"), "thd", None, "guarded",
        Verdict.NOT_MEASURED, None,
    )  # fmt: skip
    (condition,) = conditions([lost])
    assert condition.at == ()
    assert condition.text.endswith("thd")


def test_numbers_in_a_reason_are_told_to_as_many_digits_as_matter() -> None:
    lines = (Contribution(Source("gain"), 0.012345),)
    first, second = (Reading("dc_offset", "V", v, lines) for v in (0.01, 0.012))
    held = [decide(one, Limit(-0.0512, 0.0512), "guarded", "offset") for one in (first, second)]
    assert "a change of 20 mV is neither" in difference(*held).reason
    bound = replace(first, value=0.0123456, bound=Bound.AT_LEAST)
    told = decide(bound, Limit(None, 0.05), "guarded", "offset")
    assert "'at least 12.3 mV' cannot decide a limit of at most 50 mV" in told.note


def test_a_step_is_about_what_it_holds_against_a_limit_whatever_it_reads_first() -> None:
    def row(quantity: str, limit: Limit | None) -> Judged:
        return Judged(Reading(quantity, "V", 1.0), "s", limit, "guarded", Verdict.NONE, None)

    judged, beside = row("thd", Limit(high=2.0)), row("output_power", None)
    for run in ([beside, judged], [judged, beside]):
        assert {one.about for one in conditions(run)} == {"thd"}
    assert {one.about for one in conditions([beside, row("thd", None)])} == {"output_power"}


def test_a_part_is_covered_once_each_of_its_quantities_has_passed_at_its_place() -> None:
    part = PartOfUnit("each input", "preamp", ("volume_tracking", "gain"), at="left")

    def passed(quantity: str, channel: str = "left", verdict: Verdict = Verdict.PASS) -> Judged:
        return read("s", quantity, 1.0, "dB", channel, verdict)

    both = [passed("volume_tracking"), passed("gain")]
    assert part.covered(both)
    assert not part.covered(both[:1]) and not part.covered(both[1:])
    assert not part.covered([both[0], passed("gain", "right")])
    assert not part.covered([both[0], passed("gain", verdict=Verdict.CONDITIONAL_PASS)])


SURE = """
currency = "EUR"
hourly_rate = 40
value_working = 200
value_as_parts = 30
value_of_case = 10
hours_to_strip = 0.5
hours_to_find = 0.25
[repair.one]
hours = 2
parts = 20
success = 1.0
[repair.two]
hours = 1
parts = 50
success = 1.0
"""


def test_draws_of_figures_that_are_all_sure_are_the_expected_values() -> None:
    """The spread and the odds come from draws, the means from the formula: one must be the other.

    One: 200 − 20 − 40·(0.25 + 2) = 90; two, found second: 200 − 50 − 40·(2·0.25 + 1) = 90.
    """
    causes = [Finding(n, n, "unit", "", "", 0.5, "look", ()) for n in ("one", "two")]
    found = advise(Findings(tuple(causes), 0.0, "", (), "", ()), CostSheet.from_text(SURE))
    for choice, worth in ((found.repair, 90.0), (found.salvage, 30.0 + 10.0 - 20.0)):
        assert choice.mean == pytest.approx(worth)
        assert (choice.low, choice.high, choice.u) == pytest.approx((worth, worth, 0.0))
    assert found.repair_ahead == 1.0
