"""Weighing evidence and spreading amounts, against what others worked out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from seqrun.files.costs import amount
from seqrun.judge.evidence import ratio_of


def test_a_positive_test_for_a_rare_condition_is_mostly_a_false_alarm() -> None:
    # D. M. Eddy, "Probabilistic reasoning in clinical medicine" (1982), from memory: prevalence
    # 1 %, seen in 79.2 % of those who have it and in 9.6 % of those who do not: 7.7 %.
    odds = 0.01 / 0.99 * ratio_of(0.792, 0.096, True)
    assert odds / (1.0 + odds) == pytest.approx(0.077, abs=0.0005)


def test_ten_decibans_are_odds_of_ten() -> None:
    # I. J. Good, "Probability and the Weighing of Evidence" (1950), from memory: the weight of
    # evidence is the logarithm of the likelihood ratio; a deciban is a tenth of a factor of ten.
    assert 10.0 * math.log10(ratio_of(0.5, 0.05, True)) == pytest.approx(10.0)


@pytest.mark.parametrize("abc", [(10.0, 12.0, 30.0), (0.0, 5.0, 5.0), (1.0, 1.0, 4.0)])
def test_an_amount_of_three_numbers_is_the_triangular_distribution(
    abc: tuple[float, float, float],
) -> None:
    # Mean and variance of SciPy's triangular distribution.
    low, likely, high = abc
    law = stats.triang((likely - low) / (high - low), loc=low, scale=high - low)
    assert amount(list(abc)).mean == pytest.approx(law.mean())
    assert amount(list(abc)).variance == pytest.approx(law.var())


def test_an_amount_between_two_is_half_the_width_over_root_three() -> None:
    # JCGM 100:2008, 4.3.7: u = a/√3 for ±a.
    assert amount([20, 30]).u == pytest.approx(5.0 / np.sqrt(3.0))
