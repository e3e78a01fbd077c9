"""Making measured numbers: variables with a named source, and numbers without uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, ufloat
from uncertainties.core import AffineScalarFunc, LinearCombination

from seqrun.values import Distribution, Source


def exactly(value: float) -> UFloat:
    """A number without uncertainty (a definition, a count) in the type of measured ones."""
    return AffineScalarFunc(float(value), LinearCombination({}))


def variable(
    value: float,
    u: float,
    name: str,
    distribution: Distribution = "normal",
    degrees_of_freedom: float = math.inf,
) -> UFloat:
    """A new independent variable with standard uncertainty u, or a constant when u is zero."""
    if not u > 0.0:
        return exactly(value)
    return ufloat(value, u, tag=Source(name, distribution, degrees_of_freedom))


def widening(degrees_of_freedom: float) -> float:
    """Factor on a Type A standard uncertainty from few repeats, √(ν/(ν−2)).

    The standard deviation of the t-distribution (JCGM 101:2008, 6.4.9.4); with it k = 2 covers
    95 % at any ν ≥ 3, where the bare s/√n covers 86 % at ν = 3.
    """
    if not degrees_of_freedom > 2.0:
        return math.inf
    if math.isinf(degrees_of_freedom):
        return 1.0
    return math.sqrt(degrees_of_freedom / (degrees_of_freedom - 2.0))


def scatter_of_mean(values: Sequence[float] | NDArray[np.float64]) -> float:
    """Standard uncertainty of the mean of independent repeats (n ≥ 4), widened for few."""
    repeats = np.asarray(values, dtype=np.float64)
    s = float(np.std(repeats, ddof=1))
    return s / math.sqrt(repeats.size) * widening(repeats.size - 1.0)


def mean(values: Sequence[UFloat]) -> UFloat:
    """Mean of measured numbers (one at the least), correlations kept."""
    total = values[0]
    for value in values[1:]:
        total = total + value
    return total / len(values)


def magnitude(value: UFloat) -> UFloat:
    """|value|, correlations kept."""
    return value if value.nominal_value >= 0.0 else -value
