"""Isolation by halves: which cut comes next, and what each one tells."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from seqrun.steps.isolation import Cut, next_cut, told

CHAIN = tuple(f"section {n}" for n in range(1, 9))


def cut_after(name: str, effort: float = 1.0) -> Cut:
    return Cut(
        name=f"cut after {name}", after=name, control="k", position="0", back="1", effort=effort
    )


ALL = [cut_after(name) for name in CHAIN[:-1]]


def test_the_first_cut_is_in_the_middle() -> None:
    chosen = next_cut(CHAIN, CHAIN, ALL)
    assert chosen is not None
    assert chosen.after == "section 4"


def test_of_two_cuts_that_halve_alike_the_easier_one_comes_first() -> None:
    cuts = [cut_after("section 1", effort=3.0), cut_after("section 2", effort=1.0)]
    chosen = next_cut(CHAIN[:3], CHAIN[:3], cuts)
    assert chosen is not None
    assert chosen.after == "section 2"


def test_a_cut_that_splits_nothing_is_not_made() -> None:
    assert next_cut(CHAIN, CHAIN[4:], [cut_after("section 4")]) is None


def test_what_stays_comes_from_behind_the_cut_and_what_goes_from_before_it() -> None:
    middle = cut_after("section 4")
    assert told(CHAIN, CHAIN, middle, 0.98).left == CHAIN[4:]
    assert told(CHAIN, CHAIN, middle, 0.02).left == CHAIN[:4]


def test_half_of_it_gone_rules_nothing_out() -> None:
    found = told(CHAIN, CHAIN, cut_after("section 4"), 0.5)
    assert (found.how, found.left, found.ruled_out) == ("partly", CHAIN, ())


@given(st.integers(2, 16), st.data())
def test_the_culprit_is_never_ruled_out_and_is_found_in_as_few_cuts_as_halving_takes(
    size: int, data: st.DataObject
) -> None:
    chain = tuple(f"s{n}" for n in range(size))
    culprit = data.draw(st.sampled_from(chain))
    left, cuts, made = chain, [cut_after(name) for name in chain[:-1]], 0
    while (cut := next_cut(chain, left, cuts)) is not None:
        goes = chain.index(culprit) <= chain.index(cut.after)
        left = told(chain, left, cut, 0.01 if goes else 0.99).left
        cuts.remove(cut)
        made += 1
        assert culprit in left
    assert left == (culprit,)
    assert made <= math.ceil(math.log2(size))
