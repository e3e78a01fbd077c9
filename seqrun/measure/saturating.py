"""Fit of a saturating exponential, ``y = start + rise·(1 − exp(−rate·x))``, by least squares
(Levenberg and Marquardt, MINPACK, by SciPy)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import NotMeasured

Array = NDArray[np.float64]
PARAMETERS = 3
#: bounds of the time constants that are looked for, over the record's span, and trials between
SLOWEST, FASTEST, TRIALS = 100.0, 0.01, 47


@dataclass(frozen=True, slots=True)
class SaturatingFit:
    """Least-squares fit of ``y = start + rise·(1 − exp(−x·rate))``.

    ``covariance`` is s²(JᵀJ)⁻¹ in the order (rise, rate, start); ``residual_sd`` is s with n − 3
    degrees of freedom.
    """

    rise: float
    rate: float
    start: float
    covariance: Array
    residual_sd: float
    degrees_of_freedom: int
    correlation: float  # lag-one correlation of the residuals

    def standard_deviations(self) -> tuple[float, ...]:
        """Standard deviation of each fitted parameter, in the covariance's order."""
        return tuple(float(v) for v in np.sqrt(np.diag(self.covariance)))


def fit_saturating(x: Array, y: Array) -> SaturatingFit:
    """Fit a saturating exponential.

    For a given rate the rest is linear: the rate whose straight fit leaves least is the start, and
    all three parameters are then polished together.

    Args:
        x, y: shape (n,), any units; x rising.

    Raises:
        NotMeasured: too few points, or no saturation to be found in them.
    """
    from scipy.optimize import least_squares

    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.size < PARAMETERS + 2:
        raise NotMeasured(f"{x.size} points", expected=f"at least {PARAMETERS + 2}")
    span = float(x[-1] - x[0])
    if not span > 0.0:
        raise NotMeasured("all points at one time", expected="a rise over time")
    start = _start(x, y, span)
    # In units of the record, so that no parameter is a million times another.
    u, level = x / span, max(float(np.ptp(y)), 1e-300)

    def residuals(p: Array) -> Array:
        rest: Array = p[2] - p[0] * np.expm1(-p[1] * u) - y / level
        return rest

    def jacobian(p: Array) -> Array:
        fall = np.exp(-p[1] * u)
        return np.stack([-np.expm1(-p[1] * u), p[0] * u * fall, np.ones_like(u)], axis=1)

    scale = np.array([level, 1.0 / span, level])
    found = least_squares(
        residuals, start / scale, jac=jacobian, method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    freedom = x.size - PARAMETERS
    square = float(found.fun @ found.fun)
    slopes = jacobian(found.x)
    try:
        inverse = np.linalg.inv(slopes.T @ slopes)
    except np.linalg.LinAlgError:
        inverse = np.full((PARAMETERS, PARAMETERS), np.nan)
    covariance = np.asarray(square / freedom * inverse * np.outer(scale, scale), dtype=np.float64)
    if not (np.all(np.isfinite(covariance)) and np.all(np.diag(covariance) >= 0.0)):
        raise NotMeasured("the curve does not bend", expected="a rise that begins to level off")
    lag = float(found.fun[1:] @ found.fun[:-1]) / square if square > 0.0 else 0.0
    rise, rate, begin = (float(v) for v in found.x * scale)
    return SaturatingFit(
        rise, rate, begin, covariance, level * math.sqrt(square / freedom), freedom, lag
    )


def _start(x: Array, y: Array, span: float) -> Array:
    """Rise, rate and start of the best straight fit among the trial rates."""
    rates = np.geomspace(1.0 / (SLOWEST * span), 1.0 / (FASTEST * span), TRIALS)
    lifts = -np.expm1(-np.outer(rates, x))
    mean = y.mean()
    about = lifts - lifts.mean(axis=1, keepdims=True)
    squares = np.einsum("ij,ij->i", about, about)
    rises = about @ (y - mean) / np.maximum(squares, 1e-300)
    rest = (y - mean) - rises[:, None] * about
    best = int(np.argmin(np.einsum("ij,ij->i", rest, rest)))
    if best in (0, TRIALS - 1):
        raise NotMeasured(
            "the curve does not bend" if best == 0 else "the curve is a step",
            expected="a rise that begins to level off",
            hint="wait longer" if best == 0 else "sample faster",
        )
    return np.array([rises[best], rates[best], mean - rises[best] * lifts[best].mean()])
