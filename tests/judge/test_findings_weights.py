"""From signs to causes: the odds, the reasons, what is left unexplained."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from findings_cases import TWO, offset, patterns, read
from hypothesis import given
from hypothesis import strategies as st

from seqrun.files.findings.file import Section
from seqrun.judge.evidence import ratio_of, within
from seqrun.judge.findings import Finding, Findings, section_state, weigh
from seqrun.values import Verdict

OK, BAD = 0.001, 0.4
frequency = st.floats(min_value=0.001, max_value=0.999)


def test_odds_are_prior_times_likelihood_ratio() -> None:
    # Causes offset.left, offset.right, short and no fault weigh 1 each; a sign 0.9 against 0.1 is
    # seen on the left, not seen on the right, and nothing tripped: 9 : 1/9 : 1/9 : 1. A fault that
    # nobody has described is 0.02 of the three together and shows a sign as they do on average,
    # (0.9 + 2 · 0.1) / 3; it lacks none.
    found = weigh(patterns(), [offset(BAD, "left"), offset(OK, "right")], "fail: offset.left")
    mean = 1.1 / 3.0
    unknown = 0.06 * mean / 0.1
    total = 9.0 + 1.0 / 9.0 + 1.0 / 9.0 + 1.0 + unknown
    assert found.causes[0].id == "offset.left"
    assert found.causes[0].probability == pytest.approx(9.0 / total)
    assert found.no_fault == pytest.approx(1.0 / total)


def test_a_sign_that_was_not_measured_weighs_nothing() -> None:
    text = TWO.replace('id = "tripped_low"', 'id = "tripped_low"\nunless = ["dc.left"]')
    found = weigh(patterns(text), [], "")
    by_id = {cause.id: cause for cause in found.causes}
    assert by_id["offset.left"].probability == pytest.approx(found.no_fault)
    assert by_id["offset.left"].reasons == ()


def test_a_sign_that_is_missing_speaks_against_a_cause() -> None:
    found = weigh(patterns(), [offset(OK, "left")], "")
    left = next(c for c in found.causes if c.id == "offset.left")
    assert [reason.sign for reason in left.speaking_against] == ["dc.left"]
    assert left.probability < found.no_fault


def test_a_unit_without_signs_is_given_no_fault() -> None:
    found = weigh(patterns(), [offset(OK, "left"), offset(OK, "right")], "all limits are met")
    assert not found.faulty
    assert found.likely == ()


def test_a_unit_that_can_have_none_of_the_causes_is_given_none() -> None:
    found = weigh(replace(patterns(), causes=()), [offset(BAD)], "")
    assert not found.faulty
    assert found.no_fault == 1.0


def test_trust_below_one_draws_odds_together() -> None:
    full = patterns()
    readings = [offset(BAD, "left"), offset(OK, "right")]
    bold, careful = (
        weigh(p, readings, "").causes[0].probability for p in (full, replace(full, trust=0.5))
    )
    assert careful < bold


def test_the_reason_tells_the_value_in_words() -> None:
    found = weigh(patterns(), [offset(BAD, "left")], "")
    assert found.causes[0].speaking_for[0].words == "400 mV of DC at the left output"


def test_two_rivals_come_with_what_tells_them_apart() -> None:
    found = weigh(patterns(), [offset(BAD, "left")], "tripped: bring_up, stage 1")
    assert {found.causes[0].id, found.causes[1].id} == {"offset.left", "short"}
    assert found.apart == "measure collector to emitter"


def test_a_second_fault_is_named_when_the_first_leaves_strong_signs_unexplained() -> None:
    text = TWO.replace("otherwise = 0.1", "otherwise = 0.01")
    found = weigh(patterns(text), [offset(BAD, "left")], "tripped: bring_up, stage 1")
    first = found.causes[0].id
    assert found.beside == ("a short" if first == "offset.left" else "offset in the left channel")
    assert len(found.unexplained) == 1


def test_a_section_is_good_only_when_all_of_it_passed() -> None:
    quiet = read("noise.left", "noise", 1e-4, "V", "left")
    doubt = read("noise.left", "noise", 1e-4, "V", "left", Verdict.CONDITIONAL_PASS)
    loud = read("noise.left", "noise", 0.1, "V", "left", Verdict.FAIL)
    states = [
        next(s.state for s in weigh(patterns(), readings, "").sections if s.id == "stage.left")
        for readings in (
            [offset(OK), quiet],
            [offset(OK)],
            [offset(OK), doubt],
            [offset(OK), loud],
        )
    ]
    assert states == ["good", "not told", "not told", "suspect"]


def test_what_one_channel_fails_does_not_speak_against_a_section_of_the_other() -> None:
    readings = [
        read("contacts", "source_impedance", 3.0, "Ω", "left", Verdict.FAIL),
        read("contacts", "source_impedance", 0.01, "Ω", "right"),
    ]
    states = [
        section_state(
            Section(id="relay", title="relay", good=("source_impedance",), on=(on,)),
            within(readings),
        )
        for on in ("left", "right", "*")
    ]
    assert [one.state for one in states] == ["suspect", "good", "suspect"]


@given(frequency, frequency)
def test_what_a_seen_sign_gains_an_unseen_one_loses(with_it: float, without: float) -> None:
    # E[likelihood ratio] under "without" is one: no reading can be expected to favour a cause.
    mean = without * ratio_of(with_it, without, True) + (1.0 - without) * ratio_of(
        with_it, without, False
    )
    assert math.isclose(mean, 1.0, rel_tol=1e-9)


@given(
    st.lists(st.sampled_from([OK, BAD, None, -BAD, 0.0]), min_size=2, max_size=2),
    st.sampled_from(["", "tripped: bring_up, stage 2", "all 40 limits are met"]),
)
def test_probabilities_of_all_causes_and_none_make_one(
    volts: list[float | None], reason: str
) -> None:
    readings = [
        offset(v, c, "waited to settle") for v, c in zip(volts, ("left", "right"), strict=True)
    ]
    found = weigh(patterns(), readings, reason)
    named = sum(c.probability for c in found.causes)
    assert math.isclose(named + found.no_fault + found.unknown, 1.0)
    probabilities = [c.probability for c in found.causes]
    assert probabilities == sorted(probabilities, reverse=True)


@pytest.mark.parametrize(("seen_with", "told"), [(0.16, True), (0.14, False)])
def test_a_sign_that_shifts_the_odds_by_less_than_half_is_no_reason(
    seen_with: float, told: bool
) -> None:
    text = TWO.replace('"dc.{channel}" = 0.9', f'"dc.{{channel}}" = {seen_with}')
    found = weigh(patterns(text), [offset(BAD, "left")], "")
    left = next(c for c in found.causes if c.id == "offset.left")
    assert [r.sign for r in left.speaking_for] == (["dc.left"] if told else [])


def test_one_seen_sign_of_its_own_lets_the_general_ones_speak_for_a_cause() -> None:
    """What every cause shows is a reason only beside a sign of its own, be another missing."""
    text = TWO.replace(
        '"dc.{channel}" = 0.9',
        '"dc.{channel}" = 0.9\n"unsettled.{channel}" = 0.9\n"tripped_low" = 0.9',
    )
    readings = [offset(BAD, "left"), offset(OK, "right")]
    found = weigh(patterns(text), readings, "tripped: bring_up, stage 2")
    odds = {c.id: c.probability / found.no_fault for c in found.causes}
    # left: its offset 9, the trip that all causes show 9, that it settles 1/9
    assert odds["offset.left"] == pytest.approx(9.0)
    # right: nothing of its own is seen, so that the trip is no reason
    assert odds["offset.right"] == pytest.approx(1.0 / 81.0)


def test_a_general_sign_that_was_not_measured_says_nothing_of_an_unknown_fault() -> None:
    text = TWO.replace('"tripped_low" = 0.9', '"tripped_low" = 0.9\n"dc.left" = 0.9')
    found = weigh(patterns(text), [], "")
    seen = weigh(patterns(text), [offset(OK, "left")], "")
    assert found.unknown / found.no_fault == pytest.approx(0.06)  # 0.02 of three causes
    assert seen.unknown / seen.no_fault < 0.06


@pytest.mark.parametrize(
    ("kind", "probability", "none", "unknown", "mistake"),
    [
        ("bench", 0.6, 0.3, 0.1, True),
        ("unit", 0.6, 0.3, 0.1, False),
        ("bench", 0.3, 0.6, 0.1, False),  # likelier that nothing is wrong
        ("bench", 0.3, 0.1, 0.6, False),  # likelier a fault that nobody has described
    ],
)
def test_a_bench_mistake_is_the_likeliest_cause_when_that_is_of_the_bench(
    kind: str, probability: float, none: float, unknown: float, mistake: bool
) -> None:
    first = Finding("probe.left", "the probe is set wrong", kind, "", "", probability, "look", ())
    found = Findings((first,), none, "", (), "", (), unknown=unknown)
    assert found.bench_mistake is (first if mistake else None)


def test_without_a_cause_there_is_no_bench_mistake() -> None:
    assert Findings((), 1.0, "", (), "", ()).bench_mistake is None
    assert Findings((), 0.2, "", (), "", (), unknown=0.8).bench_mistake is None


def test_the_strongest_reason_comes_first_whichever_way_it_speaks() -> None:
    text = TWO.replace('"dc.{channel}" = 0.9', '"dc.{channel}" = 0.3\n"tripped_low" = 0.99')
    found = weigh(patterns(text), [offset(BAD, "left")], "tripped: bring_up at stage 2")
    (left,) = (c for c in found.causes if c.id == "offset.left")
    weights = [abs(math.log(reason.ratio)) for reason in left.reasons]
    assert len(weights) == 2
    assert weights == sorted(weights, reverse=True)
    assert left.reasons[0].sign == "tripped_low"
