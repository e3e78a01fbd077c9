"""Limits that lean on earlier readings: their uncertainty is part of the decision."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import UFloat

from seqrun.errors import FileError
from seqrun.files.expression import Expression
from seqrun.files.sequence.fields import LimitSpec
from seqrun.files.sequence.leaning import EarlierReading, leaning, measured_in
from seqrun.judge import GUARDED, SIMPLE, Apart, decide
from seqrun.quantity import Quantity
from seqrun.values import COVERAGE_FACTOR, Judged, Limit, Verdict, normal, reading, rectangular

NAMES = {"rated_load": Quantity(8.0, "Ω"), "idle_current": Quantity(0.025, "A")}


def held(
    value: UFloat, expression: str, readings: dict[str, EarlierReading], decision: str = GUARDED
) -> Judged:
    """A current held against an upper limit over earlier readings, as the engine does it."""
    found = leaning(LimitSpec(at_most=Expression(expression)), "A", NAMES, readings)
    assert found.high is not None
    apart = Apart(high=float((value - found.high).std_dev))
    return decide(reading("idle_current", "A", value), found.limit, decision, "hot", apart)


@pytest.mark.parametrize(
    ("text", "unit", "value", "u"),
    [
        ("2 * cold.left", "A", 0.2, 2 * 0.003),
        ("cold.left + cold.right", "A", 0.25, math.hypot(0.003, 0.004)),
        ("cold.left * rated_load", "V", 0.8, 8 * 0.003),
        ("1 A / cold.left", "", 10.0, 0.003 / 0.1**2),
        ("cold.left ** 2 * rated_load", "W", 0.08, 2 * 0.1 * 0.003 * 8),
        ("max(cold.left, cold.right)", "A", 0.15, 0.004),
        ("idle_current", "A", 0.025, 0.0),
    ],
)
def test_arithmetic_carries_the_uncertainty_of_readings(
    text: str, unit: str, value: float, u: float
) -> None:
    readings = {
        "cold.left": EarlierReading(normal(0.1, 0.003, "a"), "A"),
        "cold.right": EarlierReading(normal(0.15, 0.004, "b"), "A"),
    }
    found = measured_in(Expression(text), unit, NAMES, readings)
    assert found.nominal_value == pytest.approx(value)
    assert found.std_dev == pytest.approx(u, rel=2e-3)


def test_near_its_kink_a_maximum_counts_as_far_as_the_reading_reaches() -> None:
    readings = {
        "a": EarlierReading(normal(0.1, 0.003, "a"), "A"),
        "b": EarlierReading(normal(0.101, 0.0, "b"), "A"),
    }
    found = measured_in(Expression("max(a, b)"), "A", NAMES, readings)
    assert 0.0 < found.std_dev < 0.003


def test_a_percentage_keeps_its_uncertainty_in_percent() -> None:
    readings = {"thd": EarlierReading(normal(0.02, 0.004, "thd"), "%")}
    found = measured_in(Expression("2 * thd"), "%", NAMES, readings)
    assert (found.nominal_value, found.std_dev) == (pytest.approx(0.04), pytest.approx(0.008))


def test_a_rise_over_a_measured_room_is_a_temperature() -> None:
    readings = {"ambient": EarlierReading(normal(22.0, 0.3, "sensor"), "°C")}
    found = measured_in(Expression("ambient + 40 K"), "°C", NAMES, readings)
    assert (found.nominal_value, found.std_dev) == (pytest.approx(62.0), pytest.approx(0.3))


def test_what_has_no_value_beside_the_reading_is_refused() -> None:
    readings = {"a": EarlierReading(normal(1e-6, 1e-3, "a"), "")}
    with pytest.raises(FileError, match="root of a negative"):
        measured_in(Expression("sqrt(a)"), "", NAMES, readings)


def test_the_guard_band_is_that_of_the_difference() -> None:
    """52 mA under twice 28 ± 2 mA: 4 mA of room, where the limit alone is known to 4 mA."""
    hot, cold = normal(0.052, 0.0005, "hot"), normal(0.028, 0.001, "cold")
    exact = decide(reading("idle_current", "A", hot), Limit(high=0.056), GUARDED, "hot")
    assert exact.verdict is Verdict.PASS
    found = held(hot, "2 * cold", {"cold": EarlierReading(cold, "A")})
    assert found.limit == Limit(high=pytest.approx(0.056))
    assert found.verdict is Verdict.CONDITIONAL_PASS
    assert found.conformance_probability == pytest.approx(
        0.5 * math.erfc(-0.004 / math.hypot(0.0005, 0.002) / math.sqrt(2.0))
    )
    assert found.reading.note == (
        "the limit leans on earlier readings: U of reading less limit is 4.1 mA"
    )
    assert found.reading.expanded_uncertainty == pytest.approx(0.001)  # the reading's own


def test_a_gain_that_both_have_in_common_drops_out_of_the_difference() -> None:
    gain = rectangular(0.0, 0.05, "meter, % of reading", "instrument meter")
    cold, hot = 0.1 * (1.0 + gain), 0.1001 * (1.0 + gain)
    found = held(hot, "1.01 * cold", {"cold": EarlierReading(cold, "A")})
    assert found.reading.expanded_uncertainty == pytest.approx(2 * 0.05 * 0.1001 / math.sqrt(3.0))
    assert found.verdict is Verdict.PASS  # each is known to 6 %, which of them is larger to 1 ppm
    assert found.conformance_probability == pytest.approx(1.0)


def test_under_simple_acceptance_only_the_probability_knows_of_it() -> None:
    hot, cold = normal(0.0561, 0.0005, "hot"), normal(0.028, 0.001, "cold")
    found = held(hot, "2 * cold", {"cold": EarlierReading(cold, "A")}, SIMPLE)
    assert found.verdict is Verdict.FAIL
    assert found.conformance_probability == pytest.approx(0.481, abs=0.002)


def test_two_sides_have_each_their_own_guard_band() -> None:
    cold = normal(0.1, 0.002, "cold")
    spec = LimitSpec(between=(Expression("50 mA"), Expression("1.5 * cold")))
    found = leaning(spec, "A", NAMES, {"cold": EarlierReading(cold, "A")})
    for value, expected in ((0.0512, Verdict.PASS), (0.1488, Verdict.CONDITIONAL_PASS)):
        one = normal(value, 0.0005, "one")
        assert found.low is not None
        assert found.high is not None
        apart = Apart(float((one - found.low).std_dev), float((one - found.high).std_dev))
        judged = decide(reading("x", "A", one), found.limit, GUARDED, "x", apart)
        assert judged.verdict is expected
        assert judged.reading.note.endswith(" is 1 mA and 6.1 mA")


def test_a_unit_at_such_a_limit_is_passed_in_one_of_forty_and_not_more() -> None:
    rng = np.random.default_rng(11)
    n, u_hot, u_cold, true_cold = 2000, 0.0005, 0.001, 0.028
    passed = blind = 0
    for e_hot, e_cold in zip(rng.normal(0, u_hot, n), rng.normal(0, u_cold, n), strict=True):
        hot = normal(2.0 * true_cold + e_hot, u_hot, "hot")  # in truth exactly at the limit
        cold = normal(true_cold + e_cold, u_cold, "cold")
        found = held(hot, "2 * cold", {"cold": EarlierReading(cold, "A")})
        passed += found.verdict is Verdict.PASS
        exact = decide(found.reading, found.limit, GUARDED, "hot")
        blind += exact.verdict is Verdict.PASS
    assert passed / n == pytest.approx(0.5 * math.erfc(COVERAGE_FACTOR / math.sqrt(2.0)), abs=0.008)
    assert blind / n > 0.2  # what a limit taken as exact would do


def test_a_limit_whose_uncertainty_is_no_number_decides_nothing() -> None:
    value = normal(0.05, 0.001, "hot")
    judged = decide(reading("x", "A", value), Limit(high=0.06), GUARDED, "x", Apart(high=math.nan))
    assert judged.verdict is Verdict.NOT_MEASURED
