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
from uncertainties import UFloat, correlated_values

from seqrun.errors import NotMeasured
from seqrun.measure.saturating import SaturatingFit, fit_saturating
from seqrun.measure.uncertain import from_repeats, variable
from seqrun.values import COVERAGE_FACTOR, Source, exactly, rectangular

Array = NDArray[np.float64]
SETTLED_WITHIN_K, SETTLED_OVER_S = 3.0, 1800.0
#: by how much what is still to come may differ from the single exponential's: convection gets
#: better as the sink gets hotter (ΔT^1.25) and the idle current moves with temperature
NOT_ONE_CONSTANT = 0.1
#: a case or chassis that warms after the sink: how many times slower (half an hour to an hour
#: against ten minutes, to a factor of one and a half), and how large a part of the rise it is, with
#: its standard uncertainty (our own choice: some have none, a sink on a closed case a third at the
#: most)
SLOWER, SLOWER_BY, SLOW_SHARE = 4.0, 1.5, (0.15, 0.2)
#: by what power of the rise heat loss grows beyond proportion, likewise: none with a fan, 0.25 by
#: natural convection alone, less with what is radiated (any heat-transfer text)
CONVECTION = (0.05, 0.1)
MISFIT = 0.003  # of the rise: what these models miss of real ones (tried on simulated heat)
#: of the idle current, per kelvin, at a held bias: a base-emitter voltage that falls by 2.1 mV/K
#: (from memory) over kT/q, ballasts left out
HELD_PER_K = 2.1e-3 / 0.0259
BIAS_S = 30.0  # that a bias transistor is behind the heatsink: from 10 s to a minute (from memory)
SEEN_TIME_CONSTANTS = 0.7  # of a rise, before its end is told: less than that has no bend (tried)
TRIAL_K_PER_S = 0.5 / 3600.0
SLOWED = 0.8  # of its slope a third of a record earlier: a current that settles has less left


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


def predict_rise(
    times_s: Sequence[float] | Array,
    rise_k: Sequence[float] | Array,
    *,
    systematic: UFloat | None = None,
    at_least_time_constants: float = SEEN_TIME_CONSTANTS,
) -> RisePrediction:
    """End value of a rise from its beginning, with its interval.

    Contributions: scatter of the fit (t with n − 3 degrees of freedom, widened for residuals that
    hang together), ``one time constant`` (real sinks have several: half the difference between the
    whole record's fit and that of its later two thirds, and a tenth of what is still to come,
    rectangular), ``a slower part of the rise`` (a case that warms after the sink, cooling that gets
    better: what the record says of them, and what it leaves open), ``how slow the slower part is``
    (by how much one that is faster or slower by :data:`SLOWER_BY` moves the end, rectangular: it
    looks much the same in the record and has less or more to come), and the error that all readings
    share.

    Args:
        times_s: s from the moment the heat came on, shape (n,), rising.
        rise_k: sink over ambient, K, shape (n,).
        systematic: an error that all readings share (sensor tolerances, meter), K; what it is on
            the average is added.
        at_least_time_constants: how much of the rise must have been seen.

    Raises:
        NotMeasured: too few points, no bend yet, less than that many time constants seen, or a
            rise that grows ever faster (see :func:`runaway`).
    """
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(rise_k, dtype=np.float64)
    whole = fit_saturating(t, y)
    span = float(t[-1] - t[0])
    if span * whole.rate < at_least_time_constants:
        raise NotMeasured(
            f"{span * whole.rate:.2g} time constants seen in {span:.3g} s",
            expected=f"at least {at_least_time_constants:g}",
            hint="wait longer",
        )
    if math.sqrt(float(whole.covariance[1, 1])) > 0.3 * whole.rate:
        raise NotMeasured(
            "the bend of the curve is lost in its scatter",
            expected="a time constant known to a third",
            hint="wait longer",
        )
    fit, model_u, seen = _without_the_fast_part(t, y, whole)
    to_come = abs(fit.rise) * math.exp(-fit.rate * float(t[-1]))
    model_u = math.hypot(model_u, to_come * NOT_ONE_CONSTANT / math.sqrt(3.0))
    had = float(y[0])
    more, more_u = _slow_part(t[seen], y[seen], fit, SLOWER, had)
    others = [
        _slow_part(t[seen], y[seen], fit, slower, had)[0]
        for slower in (SLOWER / SLOWER_BY, SLOWER * SLOWER_BY)
    ]
    rise, rate, start = correlated_values(
        [fit.rise, fit.rate, fit.start],
        _widened(fit).tolist(),
        tags=[Source("fit of the rise", "t", float(fit.degrees_of_freedom))] * 3,
    )
    # The model's share belongs to the rise, so that it shrinks with what is still to come.
    rise = rise + variable(0.0, model_u, "one time constant", "rectangular")
    rise = rise + variable(more, more_u, "a slower part of the rise")
    half = max(abs(other - more) for other in others)
    rise = rise + rectangular(0.0, half, "how slow the slower part is")
    common = systematic if systematic is not None else exactly(0.0)
    return RisePrediction(start + rise + common, 1.0 / rate, start + common, fit, float(t[-1]))


def _slow_part(
    t: Array, y: Array, fit: SaturatingFit, slower: float, had: float
) -> tuple[float, float]:
    """What the end of the rise has beyond that of the fit, and its standard uncertainty, K.

    Two things that a single exponential has not are let into the linear least squares about it: a
    part with ``slower`` times the time constant, and cooling that gets better with the rise
    (:func:`_better_cooling`). Before the record is looked at they are taken to be what
    :data:`SLOW_SHARE` and :data:`CONVECTION` say; the record then says what it says (normal model,
    any text on linear regression with prior knowledge), but nothing finer than :data:`MISFIT`:
    what is left out of a model of any such record is no scatter of readings. Where so little of the
    curve is seen that neither can be told from the fit, the prior stands.

    A unit that was warm to begin with, by a rise of ``had``, K, may have got so a short while ago:
    the slower part of that is still to come, too.
    """
    fall, rise = np.exp(-fit.rate * t), abs(fit.rise)
    slow = -np.expm1(-fit.rate / slower * t)
    cooling = fit.rise * _better_cooling(fit.rate * t)
    columns = np.stack([1.0 - fall, fit.rise * t * fall, np.ones_like(t), slow, cooling], axis=1)
    rest = y - fit.start - fit.rise * (1.0 - fall)
    hang = min(max(fit.correlation, 0.0), 0.9)
    scatter = fit.residual_sd * math.sqrt((1.0 + hang) / (1.0 - hang))
    sigma = max(scatter, MISFIT * rise, 1e-9)
    (share, share_u), (power, power_u) = SLOW_SHARE, CONVECTION
    whole = fit.rise + (had if fit.rise * had > 0.0 else 0.0)
    weights = 1.0 / max(share_u * abs(whole), 1e-9), 1.0 / power_u
    prior = np.zeros((2, columns.shape[1]))
    prior[0, 3], prior[1, 4] = weights
    system = np.concatenate([columns / sigma, prior])
    scale = np.linalg.norm(system, axis=0)
    found = np.linalg.pinv(system / scale) / scale[:, None]
    end = np.array([1.0, 0.0, 1.0, 1.0, 0.0])
    known_before = [weights[0] * share * whole, weights[1] * power]
    shift = float(end @ found @ np.concatenate([rest / sigma, known_before]))
    variance = float(np.sum(np.square(end @ found)))
    known = float(end[:3] @ fit.covariance @ end[:3]) * (1.0 + hang) / (1.0 - hang)
    return shift, math.sqrt(max(variance - known, 0.0))


def _better_cooling(times: Array) -> Array:
    """By how much a rise of 1 leads a single exponential of the same end, for each 1 in the power
    of the rise by which its heat loss grows faster than in proportion (natural convection: 0.25).

    To first order in that power, d of the rise y: d' = −d − y ln y with y = 1 − exp(−x); it is
    nothing at the beginning and at the end.

    Args:
        times: in time constants, rising.
    """
    x = np.linspace(0.0, max(float(times[-1]), 1e-3), 400)
    y = np.maximum(-np.expm1(-x), 1e-12)
    drive = -y * np.log(y) * np.exp(x)
    summed = np.concatenate([[0.0], np.cumsum(0.5 * (drive[1:] + drive[:-1]) * np.diff(x))])
    leads: Array = np.interp(times, x, summed * np.exp(-x))
    return leads


def predicted_end(times_s: Array, rise_k: Array) -> UFloat:
    """Where the whole of a record sees the rise end, K: :func:`predict_rise`, of which half as much
    need be seen: it is tried on what a drift makes of a record that was long enough."""
    return predict_rise(times_s, rise_k, at_least_time_constants=0.5 * SEEN_TIME_CONSTANTS).end_k


def settled_end(times_s: Array, rise_k: Array) -> UFloat:
    """Where its last half hour does, K: :func:`settled_rise`."""
    return settled_rise(times_s, rise_k).rise_k


def drift_carried(
    times_s: Sequence[float] | Array,
    rise_k: Sequence[float] | Array,
    since_s: float,
    end_of: Callable[[Array, Array], UFloat] = predicted_end,
) -> float:
    """What a drift of the room makes of the end that is read off a record: K for each K/s, at the
    larger of both directions, or of the one that can be told. A fit takes an even drift for the
    beginning of more rise, and carries it on.

    Args:
        times_s, rise_k: as :func:`predict_rise`, over an ambient that was read once.
        since_s: from then to the beginning of the record, s.
        end_of: how the end is read off: :func:`predicted_end` or :func:`settled_end`.

    Raises:
        NotMeasured: as that does, for the record or with a drift in either direction.
    """
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(rise_k, dtype=np.float64)
    plain = float(end_of(t, y).nominal_value)
    ends: list[float] = []
    for drift in (TRIAL_K_PER_S, -TRIAL_K_PER_S):
        try:
            ends.append(float(end_of(t, y + drift * (t + since_s)).nominal_value))
        except NotMeasured:
            if drift < 0.0 and not ends:
                raise
    return max(abs(end - plain) for end in ends) / TRIAL_K_PER_S


def _widened(fit: SaturatingFit) -> Array:
    """Covariance for residuals that hang together (first-order autoregressive factor)."""
    hang = min(max(fit.correlation, 0.0), 0.9)
    widened: Array = fit.covariance * (1.0 + hang) / (1.0 - hang)
    return widened


def _end_u(covariance: Array) -> float:
    """Standard uncertainty of start + rise."""
    return math.sqrt(max(float(covariance[0, 0] + covariance[2, 2] + 2 * covariance[0, 2]), 0.0))


def _without_the_fast_part(
    t: Array, y: Array, whole: SaturatingFit
) -> tuple[SaturatingFit, float, NDArray[np.bool_]]:
    """The fit to go by, the standard uncertainty of its end from the model, and which of the
    readings stand behind it.

    Junctions and cases reach their own balance early; what is left then is the sink's single time
    constant. Where a fit without the first third of the record ends elsewhere than the whole by
    more than scatter explains, it is the one to go by; half the difference is the model's share.
    """
    # Three time constants back at the most: the start is then still known from afar.
    late = t >= t[0] + min((t[-1] - t[0]) / 3.0, 3.0 / whole.rate)
    end, every = whole.start + whole.rise, np.ones(t.size, dtype=bool)
    try:
        tail = fit_saturating(t[late], y[late])
        if math.sqrt(float(tail.covariance[1, 1])) > 0.3 * tail.rate:
            return whole, 0.0, every
    except NotMeasured:
        # The later part no longer bends; nothing of note is still to come, or nothing is known.
        return whole, abs(end - float(y[-1])) / math.sqrt(3.0), every
    change = abs(tail.start + tail.rise - end)
    known = _end_u(_widened(tail))
    if change <= COVERAGE_FACTOR * known:
        return whole, min(change, known) / 2.0 / math.sqrt(3.0), every
    return tail, change / 2.0 / math.sqrt(3.0), late


@dataclass(frozen=True, slots=True)
class SettledRise:
    """Whether a rise has levelled off, and where. ``change_k`` is over the trailing window."""

    settled: bool
    rise_k: UFloat  # the end it is heading for
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
    when it is so with its expanded uncertainty. The rise is the end of the window's fitted curve
    (:func:`predict_rise`); where nothing bends any more, the mean of the window's last tenth, with
    ``still to come`` (as much again as the change, rectangular) in the budget.

    Args:
        times_s, rise_k: shape (n,).
        within_k, over_s: the rule.
        systematic: as :func:`predict_rise`.

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
    change = from_repeats(
        slope * over_s, u_slope * over_s, "scatter of the rise", float(inside.sum()) - 2.0
    )
    common = systematic if systematic is not None else exactly(0.0)
    calm = abs(slope * over_s) + COVERAGE_FACTOR * float(change.std_dev) <= within_k
    return SettledRise(calm, _end_of(t[inside], y[inside], change) + common, change)


def _end_of(t: Array, y: Array, change: UFloat) -> UFloat:
    """Where a rise that has nearly levelled off will end."""
    last = y[t >= t[-1] - (t[-1] - t[0]) / 10.0]
    # The scatter is that about the line of the whole window: the last tenth may be one reading.
    rest = y - y.mean() - _line(t, y)[0] * (t - t.mean())
    freedom = y.size - 2.0
    scatter = math.sqrt(float(rest @ rest) / freedom / last.size)
    now = from_repeats(float(last.mean()), scatter, "scatter of the rise", freedom)
    moving = abs(float(change.nominal_value))
    if moving > COVERAGE_FACTOR * float(change.std_dev):
        try:
            end = predict_rise(t - t[0], y).end_k
        except NotMeasured:
            end = None
        if end is not None and abs(end.nominal_value - now.nominal_value) <= moving:
            return end
    return now + variable(0.0, moving / math.sqrt(3.0), "still to come", "rectangular")


def _line(x: Array, y: Array) -> tuple[float, float]:
    """Slope of the least-squares line and its standard uncertainty."""
    dx, dy = x - x.mean(), y - y.mean()
    square = float(dx @ dx)
    if not square > 0.0:
        raise NotMeasured("no spread in the abscissa", expected="readings at different values")
    slope = float(dx @ dy) / square
    rest = dy - slope * dx
    return slope, math.sqrt(float(rest @ rest) / max(x.size - 2, 1) / square)


def still_climbing(times_s: Sequence[float] | Array, amperes: Sequence[float] | Array) -> bool:
    """Whether the current of a warming stage goes on climbing without slowing down.

    What follows a temperature that levels off levels off with it: over the last third of a record
    it climbs by less than over the third before. Where it still climbs, by more than the expanded
    uncertainty of its slope, and has neither slowed down by a fifth nor beyond the uncertainty of
    the difference, each kelvin brings about another one: no end of the rise can be told from its
    beginning, however well a saturating curve fits so far.

    Args:
        times_s, amperes: supply current under constant conditions, shape (n,); fewer than fifteen
            say nothing.
    """
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(amperes, dtype=np.float64)
    if t.size < 15:
        return False
    before = (t >= t[0] + (t[-1] - t[0]) / 3.0) & (t < t[0] + 2.0 * (t[-1] - t[0]) / 3.0)
    last = t >= t[0] + 2.0 * (t[-1] - t[0]) / 3.0
    earlier = slope(t[before], y[before], "scatter of the earlier current")
    late = slope(t[last], y[last], "scatter of the late current")
    slower = earlier - late
    return bool(
        late.nominal_value > COVERAGE_FACTOR * late.std_dev
        and slower.nominal_value <= COVERAGE_FACTOR * slower.std_dev
        and late.nominal_value > SLOWED * earlier.nominal_value
    )


def climb_by(
    times_s: Sequence[float] | Array,
    rises_k: Sequence[float] | Array,
    amperes: Sequence[float] | Array,
    at_k: float,
) -> UFloat:
    """By what share of what it is a current would climb while a rise goes from nothing to ``at_k``,
    as both climb over the last third of a record.

    A current that follows a temperature brings with each kelvin a share of the next one. Where that
    share is small up to the limit of a rise, the rise ends as a saturating curve has it.

    Args:
        times_s, rises_k, amperes: under constant conditions, shape (n,). at_k: K.

    Raises:
        NotMeasured: fewer than fifteen readings, a rise that does not move, or no current.
    """
    t = np.asarray(times_s, dtype=np.float64)
    last = slice(-(t.size // 3), None)
    climb = slope(t[last], amperes[last], "scatter of the current that climbs")
    warms = slope(t[last], rises_k[last], "scatter of the rise that it climbs with")
    if warms.nominal_value <= COVERAGE_FACTOR * warms.std_dev:
        raise NotMeasured("a rise that does not move", expected="metal that still warms")
    drawn = float(np.mean(amperes[last]))
    if not drawn > 0.0:
        raise NotMeasured("no current", expected="a stage that draws some")
    return climb / warms * at_k / drawn


def thermal_resistance(rise_k: UFloat, heat_w: UFloat) -> UFloat:
    """Sink to ambient, K/W: settled rise over the heat that caused it.

    Raises:
        NotMeasured: no heat.
    """
    if heat_w.nominal_value <= COVERAGE_FACTOR * heat_w.std_dev:
        raise NotMeasured("no heat", expected="power going into the heatsink")
    return rise_k / heat_w


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
    """Slope of y over x by least squares, with its scatter, widened for few points (for dI/dT
    from a warm-up).

    Raises:
        NotMeasured: fewer than five points, or no spread in x.
    """
    a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if a.size < 5:
        raise NotMeasured(f"{a.size} points", expected="at least five")
    value, u = _line(a, b)
    return from_repeats(value, u, name, a.size - 2.0)


def bias_behind(
    times_s: Sequence[float] | Array,
    celsius: Sequence[float] | Array,
    amperes: float,
    behind_s: float = BIAS_S,
) -> float:
    """By how much a slope of idle current over a moving heatsink may be off, because the bias
    follows the heatsink late, A/K.

    The slope is a small difference of two large ones: what the devices would take more at a held
    bias, at most :data:`HELD_PER_K` of their current, and what the bias takes back. A sensor that
    is behind by L shows L·Ṫ too little; where the heatsink slows down as it goes, that is L·T̈/Ṫ of
    the bias's part.

    Args:
        times_s, celsius: of the heatsink while it warms or cools, at least four.
        amperes: idle current.
        behind_s: time constant of the bias transistor on the heatsink.
    """
    t, c = np.asarray(times_s, dtype=np.float64), np.asarray(celsius, dtype=np.float64)
    middle, span = t.size // 2, float(t[-1] - t[0])
    early = abs(float((c[middle] - c[0]) / (t[middle] - t[0])))
    late = abs(float((c[-1] - c[middle]) / (t[-1] - t[middle])))
    if min(early, late) <= 0.0:
        return amperes * HELD_PER_K * behind_s / span
    return amperes * HELD_PER_K * behind_s * abs(math.log(early / late)) / (0.5 * span)


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
        times_s, values: idle current or temperature under constant drive, shape (n,), n ≥ 10.
        least_growth: growth over the later half below which nothing is worth the word, in the
            values' unit.

    Raises:
        NotMeasured: fewer than ten readings.
    """
    t, y = np.asarray(times_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if t.size < 10:
        raise NotMeasured(f"{t.size} readings", expected="at least ten")
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
