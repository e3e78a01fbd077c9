"""Uncertainty of a limit over earlier readings: the worked example of the GUM for common errors."""

from __future__ import annotations

import math

import pytest

from seqrun.files.expression import Expression
from seqrun.files.sequence.leaning import EarlierReading, measured_in
from seqrun.values import normal

RESISTORS = 10


def series(common: bool) -> dict[str, EarlierReading]:
    """Ten resistors of 1000 ohm, each u = 100 mohm; by one and the same standard or by ten."""
    standard = normal(0.0, 0.1, "standard resistor")
    return {
        f"r{n}": EarlierReading(
            1000.0 + (standard if common else normal(0.0, 0.1, f"standard {n}")), "Ω"
        )
        for n in range(RESISTORS)
    }


@pytest.mark.parametrize(("common", "expected"), [(True, 1.0), (False, math.sqrt(10.0) * 0.1)])
def test_ten_resistors_in_series(common: bool, expected: float) -> None:
    """JCGM 100:2008, 5.2.2, example: compared with one standard their correlation is one, and the
    sum of ten is known to 1 ohm; 0.32 ohm, as without correlation, is wrong there."""
    known = series(common)
    total = measured_in(Expression(" + ".join(known)), "Ω", {}, known)
    assert total.nominal_value == pytest.approx(10_000.0)
    assert total.std_dev == pytest.approx(expected, rel=1e-6)
