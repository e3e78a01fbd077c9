"""The studies scaled down: a few dozen simulated benches, and bounds that chance allows.

With a true coverage of 95 % the chance of fewer than k successes in n independent trials is
binomial; each bound below is missed by an honest budget less than once in a thousand runs, and the
seeds are fixed. A budget that lacks or doubles a large contribution falls far outside.
"""

from __future__ import annotations

from typing import Any

import pytest

from seqrun.errors import UsageError
from seqrun.judge.verdict import GUARDED, SIMPLE
from seqrun.study.benches import Pair
from seqrun.study.coverage import bench_of, chosen, coverage_of
from seqrun.study.decisions import POPULATIONS, Rates, judge_many, rates_of
from seqrun.study.tables import coverage_table, decision_table
from seqrun.values import Contribution, Limit, Reading, Source, Verdict

BENCHES = 24
#: P(X < 20 of 24 | 95 %) = 0.1 %: one reading a bench
LEAST_HELD = 20 / 24
#: the narrowest interval of 24 uniform errors may by chance be a third shorter than that of many
WIDEST = 1.22 * 1.5
AT_REST = [wanted.name for group, wanted_all in chosen("levels") for wanted in wanted_all]


@pytest.fixture(scope="module")
def at_rest(once: Any) -> list[Pair]:
    """The group of levels at rest, on two dozen benches, done once."""
    benches = once.each(
        "levels", range(1, BENCHES + 1), lambda seed: list(bench_of("levels", seed))
    )
    return [pair for bench in benches for pair in bench]


@pytest.mark.parametrize("quantity", AT_REST)
def test_stated_intervals_hold_the_truth_and_are_not_much_wider_than_that(
    at_rest: list[Pair], quantity: str
) -> None:
    found = coverage_of(quantity, [p for p in at_rest if p.name == quantity])
    assert found.benches == BENCHES
    assert found.missing == 0
    assert found.share >= LEAST_HELD, found
    assert found.width <= WIDEST, found


def test_hidden_errors_are_drawn_afresh_on_each_bench(at_rest: list[Pair]) -> None:
    errors = {p.seed: p.reading.value - p.truth for p in at_rest if p.name == "ambient_temperature"}
    assert len({round(e, 9) for e in errors.values()}) == BENCHES
    assert min(errors.values()) < 0.0 < max(errors.values())


def test_a_unit_across_its_limit_is_seldom_accepted_under_guard() -> None:
    simple, guarded = judge_many("idle_current", 20)
    assert (simple.decision, guarded.decision) == (SIMPLE, GUARDED)
    # Units are drawn evenly across the limit: both kinds are there.
    assert min(guarded.of_others, guarded.of_conforming) >= 4
    # At the limit itself one in 43 is accepted; further away fewer: two of twenty is beyond chance.
    assert guarded.false_accepts <= 1
    assert guarded.false_rejects <= 1
    assert sum(guarded.others[v] for v in (Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL)) > 0


def test_an_unknown_quantity_is_told_with_the_nearest_known_one() -> None:
    with pytest.raises(UsageError, match="idle_current"):
        chosen("idle_curent")
    with pytest.raises(UsageError, match="output_power"):
        judge_many("output_powr", 1)


def judged(values: list[tuple[float, float]]) -> tuple[Rates, Rates]:
    """Pairs of (value read, truth) with U = 1 under an upper limit of 10."""
    population = next(p for p in POPULATIONS if p.name == "dc_offset")
    population = type(population)("q", "V", Limit(high=10.0), population.measure)
    budget = (Contribution(Source("all of it"), 0.5),)
    pairs = [Pair("q", 1, Reading("q", "V", value, budget), truth) for value, truth in values]
    return rates_of(population, pairs, SIMPLE), rates_of(population, pairs, GUARDED)


def test_false_accepts_are_counted_among_what_does_not_conform_only() -> None:
    simple, guarded = judged([(9.5, 10.2), (8.9, 10.1), (11.2, 9.9), (9.5, 9.5), (12.0, 12.0)])
    assert (simple.false_accepts, simple.of_others) == (2, 3)
    assert (guarded.false_accepts, guarded.of_others) == (1, 3)
    assert (simple.false_rejects, simple.of_conforming) == (1, 2)
    assert (guarded.false_rejects, guarded.of_conforming) == (1, 2)
    assert not guarded.honest


def test_tables_keep_to_80_columns(at_rest: list[Pair]) -> None:
    found = [coverage_of(n, [p for p in at_rest if p.name == n]) for n in AT_REST]
    lines = [*coverage_table(found), *decision_table(judged([(9.0, 9.0), (11.0, 11.0)]))]
    assert all(len(line) <= 80 for line in lines)
    assert len(lines) > len(AT_REST) + 4
