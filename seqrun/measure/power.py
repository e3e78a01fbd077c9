"""Output power, clipping, headroom, efficiency and dissipation.

Power is the mean square of the voltage across the load over its resistance, distortion products
included (IEC 60268-3, 14.6; 16 CFR 432). Contributions come in with the arguments: vertical gain
or meter, noise, and the load's resistance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, umath

from seqrun.errors import NotMeasured
from seqrun.measure.clipping import SQUARE_THD, power_ratio_at_thd
from seqrun.measure.sinefit import check_record
from seqrun.measure.uncertain import mean, scatter_of_mean, variable
from seqrun.values import COVERAGE_FACTOR, Bound

Array = NDArray[np.float64]
LEAST_PERIODS = 16
PARTS = 8  # of a record, for its scatter: two periods each at the least


@dataclass(frozen=True, slots=True)
class PowerPoint:
    """One level of a series: output power (W) and distortion (ratio, THD or THD+N)."""

    power: UFloat
    distortion: UFloat


@dataclass(frozen=True, slots=True)
class PowerResult:
    """A power, and whether it is that power or at least that power (W)."""

    power: UFloat
    bound: Bound = Bound.EXACT


def power_into_load(volts_rms: UFloat, load_ohm: UFloat) -> UFloat:
    """V²/R, W.

    Args:
        volts_rms: across the load, V.
        load_ohm: its resistance, warm as it is, Ω; the load is taken to be resistive.

    Raises:
        NotMeasured: load not above zero.
    """
    if not load_ohm.nominal_value > 0.0:
        raise NotMeasured(
            f"a load of {load_ohm.nominal_value:g} Ω", expected="a load of known resistance"
        )
    return volts_rms * volts_rms / load_ohm


def true_rms(
    volts: Array,
    sample_rate_hz: float,
    frequency_hz: float,
    *,
    gain: UFloat | None = None,
    clipped: bool = False,
) -> UFloat:
    """rms about the mean of a captured periodic signal, V, harmonics and noise included.

    Mean and mean square are taken under a Hann weight, so that the record need not hold whole
    periods: what is left of a broken one falls with the cube of their number. ``scatter of the
    waveform`` is the standard error from eight parts of the record, taken likewise (noise, a
    level that drifts, and broken periods).

    Args:
        volts: samples, shape (points,), V.
        sample_rate_hz, frequency_hz: samples and periods per second, for the checks.
        gain: vertical gain of mean 1.
        clipped: whether the converter ran out of range.

    Raises:
        NotMeasured: clipped, aliased, fewer than sixteen periods, or no signal.
    """
    check_record(volts, sample_rate_hz, frequency_hz, clipped)
    periods = frequency_hz * volts.size / sample_rate_hz
    if periods < LEAST_PERIODS:
        raise NotMeasured(
            f"{periods:.3g} periods in the record", expected=f"at least {LEAST_PERIODS}"
        )
    square = float(_hann_variances(volts[None, :])[0])
    if not square > 0.0:
        raise NotMeasured("a flat record", expected="a signal")
    rms = math.sqrt(square)
    part = volts.size // PARTS
    squares = _hann_variances(volts[: PARTS * part].reshape(PARTS, part))
    u = scatter_of_mean(squares.tolist()) / (2.0 * rms)
    value = variable(rms, u, "scatter of the waveform", "t", PARTS - 1.0)
    return value * gain if gain is not None else value


@lru_cache(maxsize=8)
def _hann(points: int) -> Array:
    """Hann weights that add up to one: the same lengths come again and again."""
    turn = 2.0 * math.pi / points * (np.arange(points) + 0.5)
    weight: Array = (1.0 - np.cos(turn)) / points
    weight.setflags(write=False)
    return weight


def _hann_variances(rows: Array) -> Array:
    """Variance of each row about its mean, both under the Hann weight (shape (rows,))."""
    weight = _hann(rows.shape[1])
    ac = rows - (rows @ weight)[:, None]
    np.square(ac, out=ac)
    variances: Array = ac @ weight
    return variances


def check_load_present(
    voltages: tuple[UFloat, UFloat] | None,
    supply_power_w: UFloat | None,
    output_power_w: UFloat,
) -> None:
    """Refuse a power that no load took.

    A unit that delivers P into its loads draws more than P from its supply; and its output does
    not rise when the load is put on. With the load missing the computed V²/R is a fiction.

    Args:
        voltages: output voltage with and without load, V; None when not known.
        supply_power_w: what the supply delivers at this level, W; None when not known.
        output_power_w: what V²/R says of all channels together, W.

    Raises:
        NotMeasured: the supply delivers less than the outputs are said to, or the output rises.
    """
    if supply_power_w is not None:
        missing = output_power_w - supply_power_w
        if missing.nominal_value > COVERAGE_FACTOR * missing.std_dev:
            raise NotMeasured(
                f"V²/R is {output_power_w.nominal_value:.3g} W but the supply gives only "
                f"{supply_power_w.nominal_value:.3g} W",
                expected="a load that takes the power",
                hint="no load found: look at the load's leads",
            )
    if voltages is not None:
        rise = voltages[0] - voltages[1]
        if rise.nominal_value > COVERAGE_FACTOR * rise.std_dev:
            raise NotMeasured(
                "the output rises when the load is put on",
                expected="a fall or no change",
                hint="no load found, or the level was changed between",
            )


def power_at_distortion(series: Sequence[PowerPoint], distortion: float) -> PowerResult:
    """Output power at which distortion reaches a stated value (IEC 60268-3: the rated distortion).

    The series is a level sweep in any order. Between the last point below and the first above, the
    logarithm of distortion is taken as linear in the logarithm of power; the distortion's own
    uncertainty is carried over by the slope, and the bend of the curve (the difference from a
    parabola through one more point, or a twelfth of the gap when there is none) is in the budget
    as ``interpolation``.

    Args:
        series: at least two points.
        distortion: ratio, 0.01 = 1 %.

    Returns:
        The power; ``at_least`` the highest measured when distortion never got there.

    Raises:
        NotMeasured: fewer than two points, or distortion above the value at the lowest level.
    """
    points = sorted(series, key=lambda p: float(p.power.nominal_value))
    if len(points) < 2:
        raise NotMeasured(f"{len(points)} level", expected="at least two levels")
    above = [i for i, p in enumerate(points) if p.distortion.nominal_value >= distortion]
    if not above:
        return PowerResult(points[-1].power, Bound.AT_LEAST)
    # Crossover and noise can lie above the value at low levels: the crossing that counts is the
    # last one upwards.
    below = [i for i, p in enumerate(points) if p.distortion.nominal_value < distortion]
    rising = [i for i in below if i + 1 < len(points) and i + 1 in above]
    if not rising:
        raise NotMeasured(
            f"distortion is already {points[0].distortion.nominal_value:.3g} at "
            f"{points[0].power.nominal_value:.3g} W",
            expected=f"less than {distortion:g} at low level",
            hint="not clipping: look for crossover distortion, oscillation, or a wrong tone",
        )
    i = rising[-1]
    low, high = points[i], points[i + 1]
    x = [umath.log(low.distortion), umath.log(high.distortion)]
    y = [umath.log(low.power), umath.log(high.power)]
    share = (math.log(distortion) - x[0]) / (x[1] - x[0])
    power = umath.exp(y[0] + (y[1] - y[0]) * share)
    return PowerResult(power + _bend(points, i, distortion, float(power.nominal_value)))


def _bend(points: Sequence[PowerPoint], i: int, distortion: float, linear: float) -> UFloat:
    """Zero with the uncertainty of interpolating on a straight line between i and i + 1."""
    x = np.log([float(p.distortion.nominal_value) for p in points])
    y = np.log([float(p.power.nominal_value) for p in points])
    at = math.log(distortion)
    guesses = []
    for third in (i - 1, i + 2):
        if 0 <= third < len(points):
            three = sorted([i, i + 1, third], key=lambda k: float(x[k]))
            if min(np.diff(x[three])) > 1e-6:
                guesses.append(_parabola(x[three], y[three], at))
    gap = float(y[i + 1] - y[i])
    spread = max((abs(g - math.log(linear)) for g in guesses), default=gap / 12.0)
    spread = min(spread, gap / 2.0)
    return variable(0.0, linear * spread / math.sqrt(3.0), "interpolation", "rectangular")


def _parabola(x: Array, y: Array, at: float) -> float:
    """Value at ``at`` of the parabola through three points (Lagrange)."""
    total = 0.0
    for j in range(3):
        others = [k for k in range(3) if k != j]
        weight = 1.0
        for k in others:
            weight *= (at - float(x[k])) / float(x[j] - x[k])
        total += weight * float(y[j])
    return total


def clipping_onset(series: Sequence[PowerPoint], background: UFloat | None = None) -> UFloat:
    """Power at which clipping sets in, W.

    Each point whose distortion lies clearly above the background is read as a hard-clipped sine:
    with the background taken out (mean squares), its distortion tells how deep it is clipped and
    so by what ratio its power exceeds that of the onset (:mod:`seqrun.measure.clipping`). The
    mean of what the points say is the result; their scatter, which holds how far the unit
    is from a hard clip (soft clipping, a rail that sags), is in the budget.

    Args:
        series: level sweep, at least one point at 0.3 % to 15 % by clipping.
        background: distortion below clipping, ratio; None: the least of the series.

    Raises:
        NotMeasured: no point is clipped.
    """
    points = sorted(series, key=lambda p: float(p.power.nominal_value))
    if len(points) < 2:
        raise NotMeasured(f"{len(points)} level", expected="at least two levels")
    quiet = (
        background
        if background is not None
        else min((p.distortion for p in points), key=lambda d: float(d.nominal_value))
    )
    floor = float(quiet.nominal_value)
    said: list[UFloat] = []
    for point in points:
        square = float(point.distortion.nominal_value) ** 2 - floor**2
        clipped = math.sqrt(max(square, 0.0))
        if 0.003 <= clipped <= 0.15 and clipped > 2.0 * floor and clipped < SQUARE_THD:
            ratio = power_ratio_at_thd(clipped)
            step = 1e-3 * clipped
            slope = (power_ratio_at_thd(clipped + step) - ratio) / step
            said.append(
                point.power / (ratio + slope * (point.distortion - point.distortion.nominal_value))
            )
    if not said:
        raise NotMeasured(
            "no level of the series is clipped between 0.3 % and 15 %",
            expected="a sweep that goes into clipping",
        )
    middle = mean(said)
    if len(said) < 2:
        return middle
    nominal = [float(s.nominal_value) for s in said]
    half = (max(nominal) - min(nominal)) / 2.0
    return middle + variable(0.0, half / math.sqrt(3.0), "shape of the clipping", "rectangular")


def dynamic_headroom_db(burst_power_w: UFloat, rated_power_w: UFloat | float) -> UFloat:
    """Power of short bursts over rated power, dB (20 ms of 1 kHz every 500 ms, IHF-A-202 of 1978,
    from memory).

    Args:
        burst_power_w, rated_power_w: W.

    Raises:
        NotMeasured: either not above zero.
    """
    ratio = burst_power_w / rated_power_w
    if not ratio.nominal_value > 0.0:
        raise NotMeasured(f"a ratio of {ratio.nominal_value:g}", expected="more than zero")
    return 10.0 * umath.log10(ratio)


def supply_power(voltages: Sequence[UFloat], currents: Sequence[UFloat]) -> UFloat:
    """Power drawn from the rails: Σ V·I, W. Rails are stiff enough that the product of means
    stands for the mean of products (the supply's read-back is a mean over many periods).

    Args:
        voltages, currents: of each rail, V and A, both taken positive.

    Raises:
        NotMeasured: none, or not one current for each voltage.
    """
    if not voltages or len(voltages) != len(currents):
        raise NotMeasured(
            f"{len(voltages)} voltages and {len(currents)} currents",
            expected="one of each per rail",
        )
    total = voltages[0] * currents[0]
    for volts, amperes in zip(voltages[1:], currents[1:], strict=True):
        total = total + volts * amperes
    return total


def efficiency(output_powers: Sequence[UFloat], supply_power_w: UFloat) -> UFloat:
    """Output power of all channels over the power drawn from the supply, as a ratio.

    Args:
        output_powers: of each channel, W.
        supply_power_w: W, as :func:`supply_power`.

    Raises:
        NotMeasured: the supply's power is zero within its uncertainty.
    """
    if supply_power_w.nominal_value <= COVERAGE_FACTOR * supply_power_w.std_dev:
        raise NotMeasured(
            "the supply gives no power", expected="a powered unit", hint="is the supply on?"
        )
    return sum(output_powers) / supply_power_w


def dissipation(output_powers: Sequence[UFloat], supply_power_w: UFloat) -> UFloat:
    """Power that stays in the unit as heat: drawn less delivered, W.

    Args:
        output_powers: of each channel, W.
        supply_power_w: W, as :func:`supply_power`.
    """
    return supply_power_w - sum(output_powers)
