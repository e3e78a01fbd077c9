"""Heatsink rise: settled, or predicted from its beginning; time constant, thermal resistance,
runaway.

Model of a rise under constant heat: ``y(t) = start + rise·(1 − exp(−t/τ))``, the step response of
one thermal resistance and one capacitance (any heat-transfer text).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, correlated_values, umath

from seqrun.errors import NotMeasured
from seqrun.measure.uncertain import exactly, variable
from seqrun.values import COVERAGE_FACTOR, Source

Array = NDArray[np.float64]
SETTLED_WITHIN_K, SETTLED_OVER_S = 3.0, 1800.0


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
    for _ in range(30):
        jacobian, curve = _jacobian(x, p, fit_start)
        scale = np.linalg.norm(jacobian, axis=0)
        step = np.linalg.lstsq(jacobian / scale, y - curve, rcond=None)[0] / scale
        p = p + step
        if not np.all(np.isfinite(p)) or not p[1] > 0.0:
            raise NotMeasured("the curve does not bend", expected="a rise that levels off")
        if float(np.max(np.abs(step) / np.maximum(np.abs(p), 1e-12))) < 1e-13:
            break
    jacobian, curve = _jacobian(x, p, fit_start)
    residuals = y - curve
    freedom = x.size - parameters
    square = float(residuals @ residuals)
    variance = square / freedom
    scale = np.linalg.norm(jacobian, axis=0)
    unit = jacobian / scale
    covariance = variance * np.linalg.inv(unit.T @ unit) / np.outer(scale, scale)
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


@dataclass(frozen=True, slots=True)
class RisePrediction:
    """Where a rise will end, from its beginning: the interval of the end value is ``end_k ± 2 u``.

    ``end_k``, ``tau_s`` and ``start_k`` share the fit's variables; ``fit`` is the plain fit,
    ``last_s`` the time of the last reading behind it.
    """

    end_k: UFloat
    tau_s: UFloat
    start_k: UFloat
    fit: SaturatingFit
    last_s: float

    def at(self, time_s: float) -> UFloat:
        """The fitted curve at a time on the record's axis, K."""
        return self.end_k - self.still_to_come(time_s)

    def still_to_come(self, time_s: float) -> UFloat:
        """What is left of the rise at a time on the record's axis, K."""
        return (self.end_k - self.start_k) * umath.exp(-time_s / self.tau_s)

    def settling_time_s(self, within_k: float) -> float:
        """Time from start until the rest of the rise is within ``within_k``, s."""
        left = abs(float((self.end_k - self.start_k).nominal_value))
        return float(self.tau_s.nominal_value) * math.log(max(left / within_k, 1.0))


def predict_rise(
    times_s: Sequence[float] | Array,
    rise_k: Sequence[float] | Array,
    *,
    systematic: UFloat | None = None,
    at_least_time_constants: float = 0.7,
) -> RisePrediction:
    """End value of a rise from its beginning, with its interval.

    Contributions: scatter of the fit (t with n − 3 degrees of freedom, widened for residuals that
    hang together), ``one time constant`` (real sinks have several: the difference between this fit
    and one of the later two thirds of the record, beyond what scatter explains, rectangular), and
    the error that all readings share.

    Args:
        times_s: s from the moment the heat came on, shape (n,), rising.
        rise_k: sink over ambient, K, shape (n,).
        systematic: an error of mean zero that all readings share (sensor tolerances, meter), K.
        at_least_time_constants: how much of the rise must have been seen.

    Raises:
        NotMeasured: too few points, no bend yet, less than that many time constants seen, or a
            rise that grows ever faster (see :func:`runaway`).
    """
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(rise_k, dtype=np.float64)
    fit = fit_saturating(t, y)
    span = float(t[-1] - t[0])
    if span * fit.rate < at_least_time_constants:
        raise NotMeasured(
            f"{span * fit.rate:.2g} time constants seen in {span:.3g} s",
            expected=f"at least {at_least_time_constants:g}",
            hint="wait longer",
        )
    hang = min(max(fit.correlation, 0.0), 0.95)
    covariance = fit.covariance * (1.0 + hang) / (1.0 - hang)
    rise, rate, start = correlated_values(
        [fit.rise, fit.rate, fit.start],
        covariance.tolist(),
        tags=[Source("fit of the rise", "t", float(fit.degrees_of_freedom))] * 3,
    )
    # The model's share belongs to the rise, so that it shrinks with what is still to come.
    rise = rise + variable(0.0, _one_constant(t, y, fit), "one time constant", "rectangular")
    common = systematic if systematic is not None else exactly(0.0)
    return RisePrediction(start + rise + common, 1.0 / rate, start + common, fit, float(t[-1]))


def _one_constant(t: Array, y: Array, fit: SaturatingFit) -> float:
    """Standard uncertainty of the end value from taking one time constant for all."""
    late = t >= t[0] + (t[-1] - t[0]) / 3.0
    end = fit.start + fit.rise
    try:
        other = fit_saturating(t[late] - t[late][0], y[late])
        change = abs(other.start + other.rise - end)
        known = math.sqrt(
            max(
                float(
                    other.covariance[0, 0] + other.covariance[2, 2] + 2.0 * other.covariance[0, 2]
                ),
                0.0,
            )
        )
    except NotMeasured:
        # The later part no longer bends: what is still to come of the rise cannot be checked.
        change, known = abs(end - float(y[-1])), 0.0
    # What the second fit's own scatter explains is no sign of a second time constant.
    return max(change - known, 0.0) / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class SettledRise:
    """Whether a rise has levelled off, and where. ``change_k`` is over the trailing window."""

    settled: bool
    rise_k: UFloat  # mean of the last tenth of the window
    change_k: UFloat


def settled_rise(
    times_s: Sequence[float] | Array,
    rise_k: Sequence[float] | Array,
    *,
    within_k: float = SETTLED_WITHIN_K,
    over_s: float = SETTLED_OVER_S,
    systematic: UFloat | None = None,
) -> SettledRise:
    """Steady state: a rise of no more than 3 K in 30 minutes (IEC 62368-1, from memory).

    The change over the window is that of a straight line through its readings; it counts as within
    when it is so with its expanded uncertainty. ``still to come`` (as much again as the change,
    rectangular from nothing) is in the budget of the rise.

    Args:
        times_s, rise_k: shape (n,).
        within_k, over_s: the rule.
        systematic: an error of mean zero that all readings share, K.

    Raises:
        NotMeasured: the record is shorter than the window, or has fewer than five readings in it.
    """
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(rise_k, dtype=np.float64)
    if t.size < 5 or t[-1] - t[0] < over_s * (1.0 - 1e-6):
        raise NotMeasured(
            f"{(t[-1] - t[0]) / 60.0 if t.size else 0.0:.3g} min of rise",
            expected=f"at least {over_s / 60.0:g} min",
        )
    inside = t >= t[-1] - over_s * (1.0 + 1e-9)
    if int(inside.sum()) < 5:
        raise NotMeasured(f"{int(inside.sum())} readings in the window", expected="at least five")
    slope, u_slope = _line(t[inside], y[inside])
    change = variable(slope * over_s, u_slope * over_s, "scatter of the rise")
    last = y[t >= t[-1] - over_s / 10.0]
    scatter = float(np.std(last, ddof=1)) / math.sqrt(last.size) if last.size > 1 else 0.0
    to_come = abs(slope * over_s)
    rise = (
        variable(float(last.mean()), scatter, "scatter of the rise")
        + variable(0.0, to_come / math.sqrt(3.0), "still to come", "rectangular")
        + (systematic if systematic is not None else 0.0)
    )
    calm = abs(slope * over_s) + COVERAGE_FACTOR * u_slope * over_s <= within_k
    return SettledRise(calm, rise, change)


def _line(x: Array, y: Array) -> tuple[float, float]:
    """Slope of the least-squares line and its standard uncertainty."""
    dx, dy = x - x.mean(), y - y.mean()
    square = float(dx @ dx)
    if not square > 0.0:
        raise NotMeasured("no spread in the abscissa", expected="readings at different values")
    slope = float(dx @ dy) / square
    rest = dy - slope * dx
    return slope, math.sqrt(float(rest @ rest) / max(x.size - 2, 1) / square)


def thermal_resistance(rise_k: UFloat, heat_w: UFloat) -> UFloat:
    """Sink to ambient, K/W: settled rise over the heat that caused it.

    Raises:
        NotMeasured: no heat.
    """
    if heat_w.nominal_value <= COVERAGE_FACTOR * heat_w.std_dev:
        raise NotMeasured("no heat", expected="power going into the heatsink")
    return rise_k / heat_w


def thermal_capacitance(tau_s: UFloat, resistance_k_per_w: UFloat) -> UFloat:
    """Heat capacity of the sink, J/K: τ over thermal resistance."""
    return tau_s / resistance_k_per_w


def loop_gain(volts: UFloat, current_slope_a_per_k: UFloat, resistance_k_per_w: UFloat) -> UFloat:
    """Thermal loop gain V·dI/dT·Rth of a biased stage, a plain number.

    Above 1 every kelvin of warming brings more than one kelvin more: runaway (semiconductor
    handbooks; from memory).

    Args:
        volts: voltage across the devices, V (rail to rail for the whole stage).
        current_slope_a_per_k: change of idle current per kelvin, A/K, from :func:`slope`.
        resistance_k_per_w: from where temperature was taken to ambient, K/W.
    """
    return volts * current_slope_a_per_k * resistance_k_per_w


def slope(x: Sequence[float] | Array, y: Sequence[float] | Array, name: str = "slope") -> UFloat:
    """Slope of y over x by least squares, with its scatter (for dI/dT from a warm-up).

    Raises:
        NotMeasured: fewer than three points, or no spread in x.
    """
    a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if a.size < 3:
        raise NotMeasured(f"{a.size} points", expected="at least three")
    value, u = _line(a, b)
    return variable(value, u, name, "t", float(a.size - 2))


@dataclass(frozen=True, slots=True)
class Runaway:
    """Whether a rise or a current under constant conditions grows ever faster."""

    running_away: bool
    early_slope: UFloat  # per second, first half of the record
    late_slope: UFloat  # per second, second half


def runaway(times_s: Array, values: Array, *, least_growth: float = 0.0) -> Runaway:
    """Look for a curve that bends upwards: the mark of thermal runaway.

    A stable stage's rise slows down; one whose loop gain is above 1 speeds up. The record is
    halved; it runs away when the later slope is positive and exceeds the earlier one by more than
    the expanded uncertainty of the difference, and the later half grows by more than
    ``least_growth``.

    Args:
        times_s, values: idle current or temperature under constant drive, shape (n,), n ≥ 8.
        least_growth: growth over the later half below which nothing is worth the word, in the
            values' unit.

    Raises:
        NotMeasured: fewer than eight readings.
    """
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if t.size < 8:
        raise NotMeasured(f"{t.size} readings", expected="at least eight")
    middle = t.size // 2
    early = slope(t[:middle], y[:middle], "scatter of the early half")
    late = slope(t[middle:], y[middle:], "scatter of the late half")
    more = late - early
    grown = float(late.nominal_value) * float(t[-1] - t[middle])
    is_so = (
        late.nominal_value > 0.0
        and more.nominal_value > COVERAGE_FACTOR * more.std_dev
        and grown > least_growth
    )
    return Runaway(bool(is_so), early, late)
