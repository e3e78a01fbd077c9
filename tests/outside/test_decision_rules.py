"""The decision rule and its risks, held against the published ones."""

from __future__ import annotations

import pytest

from seqrun.judge import conformance_probability, decide, pass_probability, worst_false_accept
from seqrun.values import Contribution, Limit, Reading, Source, Verdict


def _verdict(value: float, limit: Limit, decision: str = "guarded") -> Verdict:
    # u = 0.5, so U = 1 and the guard band is w = 1
    held = Reading("x", "V", value, (Contribution(Source("u"), 0.5),))
    return decide(held, limit, decision, "s").verdict


# ILAC-G8:09/2019, 4.2.3, non-binary statement with guard band, w = U: pass below AL = TL − w;
# conditional pass in [TL − w, TL]; conditional fail in [TL, TL + w]; fail above TL + w.
# TL = 10, w = 1.
@pytest.mark.parametrize(
    ("value", "zone"),
    [
        (8.999, Verdict.PASS),
        (9.001, Verdict.CONDITIONAL_PASS),
        (9.999, Verdict.CONDITIONAL_PASS),
        (10.001, Verdict.CONDITIONAL_FAIL),
        (10.999, Verdict.CONDITIONAL_FAIL),
        (11.001, Verdict.FAIL),
    ],
)
def test_zones_of_the_non_binary_statement(value: float, zone: Verdict) -> None:
    assert _verdict(value, Limit(high=10.0)) is zone
    assert _verdict(-value, Limit(low=-10.0)) is zone


# The standard's intervals share their end points; which side they belong to is our choice, and the
# one that the limit "at most 10" says in plain words: 10 itself still keeps to it.
def test_end_points_of_the_zones() -> None:
    limit = Limit(high=10.0)
    assert _verdict(9.0, limit) is Verdict.PASS
    assert _verdict(10.0, limit) is Verdict.CONDITIONAL_PASS
    assert _verdict(11.0, limit) is Verdict.CONDITIONAL_FAIL


# ILAC-G8:09/2019, 4.2.1: simple acceptance is the same with w = 0, AL = TL.
def test_simple_acceptance_ends_at_the_tolerance_limit() -> None:
    assert _verdict(9.999, Limit(high=10.0), "simple") is Verdict.PASS
    assert _verdict(10.001, Limit(high=10.0), "simple") is Verdict.FAIL


# ILAC-G8:09/2019, its table of decision rules (from memory): specific risk of false accept below
# 2.5 % with w = U, below 50 % with simple acceptance, for a one-sided limit and U at about 95 %.
def test_worst_specific_risks() -> None:
    limit = Limit(high=10.0)
    assert worst_false_accept(1.0, limit) < 0.025
    assert worst_false_accept(1.0, limit) == pytest.approx(0.02275, abs=5e-6)  # 1 − Φ(2)
    assert worst_false_accept(1.0, limit, "simple") == pytest.approx(0.5)


# JCGM 106:2012, 7.4, example (breakdown voltage of a Zener diode): best estimate −5.47 V with
# u = 0.05 V, upper limit −5.40 V: p = Φ(1.40) = 0.919.
def test_conformance_probability_of_the_zener_diode() -> None:
    p = conformance_probability(-5.47, 0.05, Limit(high=-5.40))
    assert p == pytest.approx(0.919, abs=5e-4)


# JCGM 106:2012, 8.3.2: guard band w = r U with r = 1; a unit exactly in the middle of limits that
# are eight standard uncertainties apart passes when its reading scatters by less than two: 95.45 %
# (the two-sigma probability of the normal distribution, any table).
def test_a_unit_in_the_middle_at_tur_2_passes_with_the_two_sigma_probability() -> None:
    assert pass_probability(0.0, 1.0, Limit(-2.0, 2.0)) == pytest.approx(0.9545, abs=5e-5)
