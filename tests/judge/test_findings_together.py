"""Several runs of one unit weighed as one."""

from __future__ import annotations

import pytest
from findings_cases import TWO, offset, patterns, read

from seqrun.judge.findings import Findings, weigh
from seqrun.judge.together import Told, together
from seqrun.values import Judged, Verdict


def run(*judged: Judged, reason: str = "ok") -> Told:
    return Told(judged, reason, "acceptance")


HIGH, LOW, OTHER = offset(0.09), offset(0.001), offset(0.09, "right")
SILENT = read("gain", "gain", 29.0, "dB", "left")


def odds(found: Findings, cause: str = "offset.left") -> float:
    (one,) = (c for c in found.causes if c.id == cause)
    return one.probability


def test_one_run_together_is_the_run_alone() -> None:
    alone = weigh(patterns(), [HIGH], "ok", "acceptance")
    assert together(patterns(), [run(HIGH)]) == alone


def test_the_same_evidence_counts_once_however_often_it_is_read() -> None:
    assert odds(together(patterns(), [run(HIGH)] * 3)) == pytest.approx(
        odds(together(patterns(), [run(HIGH)]))
    )


def test_runs_that_disagree_settle_less_than_runs_that_agree() -> None:
    mixed = odds(together(patterns(), [run(HIGH), run(LOW)]))
    sure, gone = (odds(together(patterns(), [run(r)])) for r in (HIGH, LOW))
    assert gone < mixed < sure


def test_what_a_run_does_not_tell_takes_nothing_from_what_another_told() -> None:
    assert odds(together(patterns(), [run(HIGH), run(SILENT)])) == pytest.approx(
        odds(together(patterns(), [run(HIGH)]))
    )


def test_a_repair_without_a_run_since_has_shown_nothing() -> None:
    found = together(patterns(), [run(HIGH)], worked=True)
    assert found.faulty and found.causes[0].id == "offset.left"


def test_a_run_after_the_repair_speaks_for_the_unit_as_it_is() -> None:
    cured = together(patterns(), [run(HIGH)], [run(LOW)], worked=True)
    assert not cured.faulty
    same = together(patterns(), [run(HIGH)], [run(HIGH)], worked=True)
    assert same.faulty


def test_a_repair_closes_what_it_mended_and_leaves_the_other_fault_open() -> None:
    both = [run(HIGH, HIGH), run(OTHER)]
    after = together(patterns(), both, [run(SILENT)], worked=True)
    mended = together(patterns(), both).causes[0].id
    assert after.faulty and after.causes[0].id != mended


WORST = TWO.replace(
    '[[cause]]\nid = "short"',
    '[[value]]\nid = "worst"\nunit = "V"\nquantity = "dc_offset"\ntake = "largest"\n\n'
    '[[value]]\nid = "worst_mv"\nunit = "V"\nof = "2 * worst"\n\n'
    '[[sign]]\nid = "dc_any"\nvalue = "worst_mv"\nabove = "100 mV"\notherwise = 0.01\n'
    'words = "{value} twice"\n\n'
    '[[cause]]\nid = "rails"\ntitle = "rails apart"\nnext = "measure the rails"\n'
    'weight = 0.1\n[cause.seen]\n"dc_any" = 0.9\n\n[[cause]]\nid = "short"',
)


def test_a_repair_closes_what_else_the_same_readings_told() -> None:
    """One channel's reading speaks for that channel and, where none other is read, for all."""
    known = patterns(WORST)
    before = together(known, [run(HIGH)])
    assert {c.id for c in before.likely[:2]} == {"offset.left", "rails"}
    assert before.causes[0].id == "offset.left"
    assert not together(known, [run(HIGH)], [run(SILENT)], worked=True).faulty
    both = together(known, [run(HIGH, OTHER)], [run(SILENT)], worked=True)
    assert both.faulty  # the other channel's reading is not the mended one's


def test_a_cause_that_was_answered_with_a_reason_weighs_less() -> None:
    plain = odds(together(patterns(), [run(HIGH)]))
    assert odds(together(patterns(), [run(HIGH)], answered=["offset in the left channel"])) < plain


ASKED = TWO.replace(
    '[[cause]]\nid = "short"',
    '[[sign]]\nid = "smoked"\nask = "Did it smoke?"\nwords = "it smoked"\notherwise = 0.05\n\n'
    '[[cause]]\nid = "short"',
).replace('"tripped_low" = 0.9', '"tripped_low" = 0.9\n"smoked" = 0.9')


def test_an_owners_answer_is_evidence_and_none_is_none() -> None:
    of = patterns(ASKED)
    untold, yes, no = (
        odds(together(of, [run(LOW)], owner=answer), "short")
        for answer in ({}, {"smoked": True}, {"smoked": False})
    )
    assert no < untold < yes


PLACE = TWO.replace(
    '[[section]]',
    '[[sign]]\nid = "stays"\nverdict = "fail"\nquantity = "hum_disturbance"\notherwise = 0.01\n'
    'words = "it stays"\n\n[[cause]]\nid = "stage"\ntitle = "the stage"\nnext = "look"\n'
    'holds = "offset.left"\n[cause.seen]\n"stays" = 0.98\n\n[[section]]',
    1,
)  # fmt: skip


def test_a_place_and_what_sits_in_it_do_not_compete() -> None:
    cut = run(read("cut", "hum_disturbance", 0.09, "V", "left", Verdict.FAIL))
    of = patterns(PLACE)
    alone = odds(together(of, [run(HIGH)]))
    with_cut = together(of, [run(HIGH), cut])
    assert with_cut.causes[0].id == "offset.left"
    assert odds(with_cut) >= alone


def test_a_hunt_that_made_bursts_come_more_often_is_evidence() -> None:
    from seqrun.files.findings.load import findings_for
    from seqrun.files.findings.patterns import patterns_for
    from seqrun.files.unit.sheet import load_unit

    file = findings_for("noise-hunt")
    assert file is not None
    of = patterns_for(file, load_unit("demo-2x40"))
    untold, more, same = (
        odds(together(of, [run(*hunted)]), "noisy_device.left")
        for hunted in (
            (SILENT,),
            (read("hunt.left", "burst_rate_ratio", 4.0, "", "left", Verdict.NONE),),
            (read("hunt.left", "burst_rate_ratio", 1.0, "", "left", Verdict.NONE),),
        )
    )
    assert same < untold < more


def stage(*runs: Told) -> str:
    """The state of the left stage: good when offset and noise are, suspect when one is."""
    (state,) = (s.state for s in together(patterns(), runs).sections if s.id == "stage.left")
    return state


def test_a_section_is_suspect_when_one_run_says_so_and_good_when_one_has_seen_it_whole() -> None:
    good = run(offset(0.0), read("noise", "noise", 1e-4, "V", "left"))
    bad = run(read("offset", "dc_offset", 0.9, "V", "left", Verdict.FAIL))
    half = run(offset(0.0))
    for runs, state in (
        ((good, bad), "suspect"),
        ((bad, good), "suspect"),
        ((half, good), "good"),
        ((good, half), "good"),
        ((half, bad), "suspect"),
        ((half, half), "not told"),
        ((), "not told"),
    ):
        assert stage(*runs) == state


def test_without_any_run_a_section_rests_on_no_reading() -> None:
    found = together(patterns(), [])
    assert [(s.state, s.readings) for s in found.sections] == [("not told", 0)] * 2
