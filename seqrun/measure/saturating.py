"""Fit of a saturating exponential, ``y = start + rise·(1 − exp(−rate·x))``."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seqrun.errors import NotMeasured

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SaturatingFit:
    """Least-squares fit of ``y = start + rise·(1 − exp(−x·rate))``.

    ``covariance`` is s²(JᵀJ)⁻¹ in the order (rise, rate, start) or (rise, rate) when the start was
    held at zero; ``residual_sd`` is s with n − p degrees of freedom.
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


def fit_saturating(x: Array, y: Array, *, fit_start: bool = True) -> SaturatingFit:
    """Fit a saturating exponential by variable projection and Gauss–Newton.

    For a given rate the rest is linear; the rate is found where the projected sum of squares is
    least, and all parameters are polished together.

    Args:
        x, y: shape (n,), any units; x rising.
        fit_start: False holds the start at zero (the model of NIST's Misra1a).

    Raises:
        NotMeasured: too few points, or no saturation to be found in them.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    parameters = 3 if fit_start else 2
    if x.size < parameters + 2:
        raise NotMeasured(f"{x.size} points", expected=f"at least {parameters + 2}")
    span = float(x[-1] - x[0]) if fit_start else float(x[-1])
    if not span > 0.0:
        raise NotMeasured("all points at one time", expected="a rise over time")

    def columns(rate: float) -> Array:
        lift = -np.expm1(-rate * x)
        return np.stack([lift, np.ones_like(x)], axis=1) if fit_start else lift[:, None]

    def rest(rate: float) -> float:
        c = columns(rate)
        r = y - c @ np.linalg.lstsq(c, y, rcond=None)[0]
        return float(r @ r)

    log_rates = np.linspace(math.log(0.01 / span), math.log(100.0 / span), 47)
    costs = [rest(math.exp(v)) for v in log_rates]
    best = int(np.argmin(costs))
    if best in (0, len(costs) - 1):
        raise NotMeasured(
            "the curve does not bend" if best == 0 else "the curve is a step",
            expected="a rise that begins to level off",
            hint="wait longer" if best == 0 else "sample faster",
        )
    log_rate = _golden(lambda v: rest(math.exp(v)), log_rates[best - 1], log_rates[best + 1])
    rate = math.exp(log_rate)
    linear = np.linalg.lstsq(columns(rate), y, rcond=None)[0]
    p = np.array([linear[0], rate, linear[1]]) if fit_start else np.array([linear[0], rate])
    p = _polish(x, y, p, fit_start)
    jacobian, curve = _jacobian(x, p, fit_start)
    residuals = y - curve
    freedom = x.size - parameters
    square = float(residuals @ residuals)
    variance = square / freedom
    scale = np.linalg.norm(jacobian, axis=0)
    unit = jacobian / scale
    try:
        covariance = variance * np.linalg.inv(unit.T @ unit) / np.outer(scale, scale)
    except np.linalg.LinAlgError:
        covariance = np.full((parameters, parameters), np.nan)
    if not (np.all(np.isfinite(covariance)) and np.all(np.diag(covariance) >= 0.0)):
        raise NotMeasured("the curve does not bend", expected="a rise that begins to level off")
    lag = float(residuals[1:] @ residuals[:-1]) / square if square > 0.0 else 0.0
    return SaturatingFit(
        float(p[0]),
        float(p[1]),
        float(p[2]) if fit_start else 0.0,
        covariance,
        math.sqrt(variance),
        freedom,
        lag,
    )


def _polish(x: Array, y: Array, p: Array, fit_start: bool) -> Array:
    """Gauss–Newton from a good start; a step that does not lower the sum of squares is halved."""
    jacobian, curve = _jacobian(x, p, fit_start)
    cost = float(np.sum((y - curve) ** 2))
    for _ in range(30):
        scale = np.linalg.norm(jacobian, axis=0)
        if not np.all(scale > 0.0):
            break
        step = np.linalg.lstsq(jacobian / scale, y - curve, rcond=None)[0] / scale
        for _ in range(8):
            trial = p + step
            jacobian, curve = _jacobian(x, trial, fit_start)
            new = float(np.sum((y - curve) ** 2))
            if new <= cost * (1.0 + 1e-12):
                break
            step = step / 2.0
        else:
            break
        p, cost = trial, new
        if float(np.max(np.abs(step) / np.maximum(np.abs(p), 1e-12))) < 1e-13:
            break
    return p


def _jacobian(x: Array, p: Array, fit_start: bool) -> tuple[Array, Array]:
    fall = np.exp(-p[1] * x)
    lift = -np.expm1(-p[1] * x)
    jacobian = [lift, p[0] * x * fall]
    curve = p[0] * lift
    if fit_start:
        jacobian.append(np.ones_like(x))
        curve = curve + p[2]
    return np.stack(jacobian, axis=1), curve


def _golden(cost: Callable[[float], float], low: float, high: float) -> float:
    """Least of a function with one minimum between low and high, by golden section."""
    ratio = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    at_a, at_b = cost(a), cost(b)
    for _ in range(40):
        if at_a < at_b:
            high, b, at_b = b, a, at_a
            a = high - ratio * (high - low)
            at_a = cost(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + ratio * (high - low)
            at_b = cost(b)
    return (low + high) / 2.0
