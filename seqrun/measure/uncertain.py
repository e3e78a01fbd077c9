"""Making measured numbers: variables with a named source, means and their scatter."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

import seqrun.values as values
from seqrun.errors import NotMeasured
from seqrun.values import Distribution, Source, student


def variable(
    value: float,
    u: float,
    name: str,
    distribution: Distribution = "normal",
    degrees_of_freedom: float = math.inf,
) -> UFloat:
    """A new independent variable with standard uncertainty u, or a constant when u is zero.

    Args:
        value, u: in one unit.
        name, distribution, degrees_of_freedom: what budgets say of it.
    """
    return values.variable(value, u, Source(name, distribution, degrees_of_freedom))


def from_repeats(value: float, u: float, name: str, degrees_of_freedom: float) -> UFloat:
    """A value whose standard uncertainty comes from the scatter of few repeats, widened by
    Student's factor for them (:func:`seqrun.values.student`).

    Args:
        value, u: the mean of the repeats and s/√n, in one unit.
        name: of the contribution in budgets.
        degrees_of_freedom: of the scatter; n − 1 for a mean of n.
    """
    widened = u * student(degrees_of_freedom) if u > 0.0 else 0.0
    return variable(value, widened, name, "t", degrees_of_freedom)


def scatter_of_mean(repeats: Sequence[float] | NDArray[np.float64]) -> float:
    """Standard uncertainty of the mean of independent repeats: s/√n by Student's factor for n − 1.

    Raises:
        NotMeasured: fewer than two repeats, which have no scatter.
    """
    each = np.asarray(repeats, dtype=np.float64)
    if each.size < 2:
        raise NotMeasured(f"{each.size} reading", expected="at least two, for their scatter")
    return float(np.std(each, ddof=1)) / math.sqrt(each.size) * student(each.size - 1.0)


def mean(measured: Sequence[UFloat]) -> UFloat:
    """Mean of measured numbers (one at the least), correlations kept."""
    total = measured[0]
    for value in measured[1:]:
        total = total + value
    return total / len(measured)


def magnitude(value: UFloat) -> UFloat:
    """|value|, correlations kept."""
    return value if value.nominal_value >= 0.0 else -value
