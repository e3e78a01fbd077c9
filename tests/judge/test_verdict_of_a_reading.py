"""Verdicts on single readings."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import UsageError
from seqrun.judge import decide
from seqrun.values import Bound, Contribution, Limit, Reading, Source, Verdict

OFFSET = Limit(-0.05, 0.05)
RANK = {
    Verdict.PASS: 0,
    Verdict.CONDITIONAL_PASS: 1,
    Verdict.CONDITIONAL_FAIL: 2,
    Verdict.FAIL: 3,
}
PASSING = (Verdict.PASS, Verdict.CONDITIONAL_PASS)
FAILING = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL)

values = st.floats(-1e6, 1e6)
uncertainties = st.floats(0.0, 1e5)
stated = st.floats(1e-9, 1e5)  # with none at all a guarded reading cannot pass


def reading(value: float | None, u: float = 0.0, bound: Bound = Bound.EXACT) -> Reading:
    budget = (Contribution(Source("meter gain", "rectangular"), u),) if u else ()
    return Reading("dc_offset", "V", value, budget, "left", bound)


def verdict(
    value: float | None,
    u: float,
    limit: Limit | None,
    decision: str = "guarded",
    bound: Bound = Bound.EXACT,
) -> Verdict:
    return decide(reading(value, u, bound), limit, decision, "offset.left").verdict


@st.composite
def limits(draw: st.DrawFn) -> Limit:
    low, high = sorted((draw(values), draw(values)))
    sides = draw(st.sampled_from(("low", "high", "both")))
    return Limit(low if sides != "high" else None, high if sides != "low" else None)


@pytest.mark.parametrize(
    ("volts", "expected"),
    [
        (0.0, Verdict.PASS),
        (0.049, Verdict.PASS),
        (0.0495, Verdict.CONDITIONAL_PASS),
        (0.05, Verdict.CONDITIONAL_PASS),
        (0.0505, Verdict.CONDITIONAL_FAIL),
        (0.052, Verdict.FAIL),
        (-0.0495, Verdict.CONDITIONAL_PASS),
        (-0.0505, Verdict.CONDITIONAL_FAIL),
        (-0.6, Verdict.FAIL),
    ],
)
def test_dc_offset_within_50_mv_known_to_1_mv(volts: float, expected: Verdict) -> None:
    assert verdict(volts, 0.0005, OFFSET) is expected


def test_an_uncertainty_wider_than_the_limit_never_passes_however_good_the_unit() -> None:
    assert verdict(0.0, 0.026, OFFSET) is Verdict.CONDITIONAL_PASS


@given(values, uncertainties, limits())
def test_a_pass_means_that_the_whole_interval_keeps_to_the_limit(
    value: float, u: float, limit: Limit
) -> None:
    judged = decide(reading(value, u), limit, "guarded", "s")
    if judged.verdict is Verdict.PASS:
        expanded = judged.reading.expanded_uncertainty
        assert limit.high is None or value <= limit.high - expanded
        assert limit.low is None or value >= limit.low + expanded


@given(values, uncertainties, limits(), st.sampled_from(("guarded", "simple")))
def test_a_value_beyond_its_limit_is_never_a_pass_of_any_kind(
    value: float, u: float, limit: Limit, decision: str
) -> None:
    outside = (limit.high is not None and value > limit.high) or (
        limit.low is not None and value < limit.low
    )
    assert (verdict(value, u, limit, decision) in FAILING) == outside


@given(values, stated, stated, limits())
def test_a_larger_uncertainty_never_makes_a_verdict_more_certain(
    value: float, u1: float, u2: float, limit: Limit
) -> None:
    small, large = sorted((u1, u2))
    sure, unsure = verdict(value, small, limit), verdict(value, large, limit)
    assert RANK[unsure] == RANK[sure] or unsure in (
        Verdict.CONDITIONAL_PASS,
        Verdict.CONDITIONAL_FAIL,
    )
    assert (unsure in PASSING) == (sure in PASSING)


@given(values, values, uncertainties, values)
def test_under_an_upper_limit_a_larger_value_never_gets_a_better_verdict(
    a: float, b: float, u: float, high: float
) -> None:
    less, more = sorted((a, b))
    limit = Limit(high=high)
    assert RANK[verdict(less, u, limit)] <= RANK[verdict(more, u, limit)]


@given(values, uncertainties, limits(), st.sampled_from(list(Bound)))
def test_turning_the_sign_of_everything_changes_no_verdict(
    value: float, u: float, limit: Limit, bound: Bound
) -> None:
    turned = Limit(
        None if limit.high is None else -limit.high, None if limit.low is None else -limit.low
    )
    mirror = {Bound.AT_MOST: Bound.AT_LEAST, Bound.AT_LEAST: Bound.AT_MOST}.get(bound, bound)
    assert verdict(value, u, limit, bound=bound) is verdict(-value, u, turned, bound=mirror)


@given(values, uncertainties, limits())
def test_simple_acceptance_knows_only_pass_and_fail(value: float, u: float, limit: Limit) -> None:
    assert verdict(value, u, limit, "simple") in (Verdict.PASS, Verdict.FAIL)


@given(values, stated, limits(), st.sampled_from(("guarded", "simple")))
def test_a_floor_earns_no_more_than_the_same_number_would_as_a_value(
    value: float, u: float, limit: Limit, decision: str
) -> None:
    bounded = verdict(value, u, limit, decision, Bound.AT_MOST)
    exact = verdict(value, u, limit, decision)
    assert bounded in (exact, Verdict.NOT_MEASURED)
    if bounded in PASSING:
        assert limit.low is None


@given(values, uncertainties, values)
def test_at_most_above_an_upper_limit_decides_nothing(x: float, u: float, high: float) -> None:
    if x > high:
        assert verdict(x, u, Limit(high=high), bound=Bound.AT_MOST) is Verdict.NOT_MEASURED


def test_distortion_at_most_0_02_percent_passes_a_limit_of_0_1_percent() -> None:
    floor = Reading("thd", "%", 0.02, (Contribution(Source("floor"), 0.002),), bound=Bound.AT_MOST)
    assert decide(floor, Limit(high=0.1), "guarded", "thd").verdict is Verdict.PASS


def test_distortion_at_most_0_2_percent_cannot_decide_0_1_percent_and_says_so() -> None:
    floor = Reading("thd", "%", 0.2, bound=Bound.AT_MOST)
    judged = decide(floor, Limit(high=0.1), "guarded", "thd")
    assert judged.verdict is Verdict.NOT_MEASURED
    assert "cannot decide" in judged.reading.note
    assert judged.conformance_probability is None


def test_power_at_least_38_w_passes_36_w_and_fails_nothing() -> None:
    assert verdict(38.0, 0.1, Limit(low=36.0), bound=Bound.AT_LEAST) is Verdict.PASS
    assert verdict(30.0, 0.1, Limit(low=36.0), bound=Bound.AT_LEAST) is Verdict.NOT_MEASURED


def test_power_at_most_30_w_fails_at_least_36_w() -> None:
    assert verdict(30.0, 0.1, Limit(low=36.0), bound=Bound.AT_MOST) is Verdict.FAIL


@given(
    st.sampled_from((math.nan, math.inf, -math.inf, 9.9e37, -9.9e37, 9.91e37)),
    limits() | st.none(),
    st.sampled_from(("guarded", "simple")),
    st.sampled_from(list(Bound)),
)
def test_an_overload_is_not_measured_and_its_value_goes_nowhere(
    value: float, limit: Limit | None, decision: str, bound: Bound
) -> None:
    judged = decide(reading(value, 0.1, bound), limit, decision, "s")
    assert judged.verdict is Verdict.NOT_MEASURED
    assert judged.reading.value is None
    assert judged.reading.note


@pytest.mark.parametrize("u", [math.nan, math.inf])
@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_an_uncertainty_that_is_no_number_decides_nothing(u: float, decision: str) -> None:
    judged = decide(reading(0.0, u), OFFSET, decision, "s")
    assert judged.verdict is Verdict.NOT_MEASURED
    assert math.isfinite(judged.reading.expanded_uncertainty)
    assert judged.reading.value == 0.0


@pytest.mark.parametrize(
    "limit",
    [Limit(), Limit(0.05, -0.05), Limit(high=math.nan), Limit(-math.inf, 1.0), Limit(low=math.inf)],
)
@pytest.mark.parametrize("decision", ["guarded", "simple"])
def test_a_limit_that_is_none_holds_the_unit(limit: Limit, decision: str) -> None:
    judged = decide(reading(0.0, 0.001), limit, decision, "s")
    assert judged.verdict is Verdict.NOT_MEASURED
    # what was read is as good as it was: value and budget stay on record
    assert judged.reading.value == 0.0
    assert judged.reading.budget == reading(0.0, 0.001).budget != ()


def test_what_was_not_measured_is_so_with_and_without_a_limit() -> None:
    assert verdict(None, 0.0, OFFSET) is Verdict.NOT_MEASURED
    assert verdict(None, 0.0, None) is Verdict.NOT_MEASURED


def test_the_reason_for_not_measuring_stays_with_the_reading() -> None:
    missing = Reading("rise", "K", None, note="the meter went silent")
    assert decide(missing, Limit(high=40.0), "guarded", "s").reading.note == "the meter went silent"


def test_a_reading_without_a_limit_has_no_verdict() -> None:
    judged = decide(reading(0.01, 0.001), None, "guarded", "s")
    assert judged.verdict is Verdict.NONE
    assert judged.conformance_probability is None


def test_without_a_stated_uncertainty_a_guarded_reading_does_not_pass() -> None:
    judged = decide(reading(0.01), OFFSET, "guarded", "s")
    assert judged.verdict is Verdict.CONDITIONAL_PASS
    assert "no uncertainty" in judged.reading.note


def test_an_unknown_decision_rule_is_refused() -> None:
    with pytest.raises(UsageError, match="generous"):
        decide(reading(0.0), OFFSET, "generous", "s")


def test_a_bound_that_cannot_decide_says_which_bound_and_which_limit() -> None:
    over = decide(reading(0.2, 0.01, Bound.AT_MOST), Limit(high=0.1), "guarded", "s")
    assert over.reading.note == "'at most 200 mV' cannot decide a limit of at most 100 mV"
    under = decide(reading(0.2, 0.01, Bound.AT_LEAST), Limit(0.3, 0.5), "guarded", "s")
    assert under.reading.note == (
        "'at least 200 mV' cannot decide a limit of at least 300 mV and at most 500 mV"
    )
