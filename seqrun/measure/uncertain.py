"""Making measured numbers: variables with a named source, and numbers without uncertainty."""

from __future__ import annotations

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
    degrees_of_freedom: float = float("inf"),
) -> UFloat:
    """A new independent variable with standard uncertainty u, or a constant when u is zero."""
    if not u > 0.0:
        return exactly(value)
    return ufloat(value, u, tag=Source(name, distribution, degrees_of_freedom))
