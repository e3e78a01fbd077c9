"""Temperature by platinum resistors (IEC 60751)."""

from __future__ import annotations

import math

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.values import COVERAGE_FACTOR, rectangular

R0_OHM = 100.0
A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
PT100_RANGE_C = (-200.0, 850.0)
#: tolerance ±(a + b·|t|) K, IEC 60751:2008 (from memory)
PT_TOLERANCE: dict[str, tuple[float, float]] = {
    "AA": (0.10, 0.0017),
    "A": (0.15, 0.002),
    "B": (0.30, 0.005),
    "C": (0.60, 0.010),
}


def pt100_resistance_ohm(temperature_c: float) -> float:
    """Resistance of a Pt100 at a temperature in °C, Ω (IEC 60751, −200 °C to 850 °C)."""
    t = temperature_c
    value = 1.0 + A * t + B * t * t
    if t < 0.0:
        value += C * (t - 100.0) * t**3
    return R0_OHM * value


def pt100_slope_ohm_per_k(temperature_c: float) -> float:
    """dR/dT of a Pt100, Ω/K."""
    t = temperature_c
    slope = A + 2.0 * B * t
    if t < 0.0:
        slope += C * (4.0 * t**3 - 300.0 * t**2)
    return R0_OHM * slope


def pt100_temperature_c(resistance_ohm: float) -> float:
    """Temperature of a Pt100 from its resistance, °C.

    Raises:
        NotMeasured: a resistance no Pt100 has between −200 °C and 850 °C (sensor open, shorted, or
            not this kind).
    """
    low, high = (pt100_resistance_ohm(t) for t in PT100_RANGE_C)
    if not low <= resistance_ohm <= high:
        raise NotMeasured(
            f"{resistance_ohm:.4g} Ω from the sensor",
            expected=f"{low:.4g} Ω to {high:.4g} Ω from a Pt100",
            hint="sensor open, shorted, or not a Pt100",
        )
    ratio = resistance_ohm / R0_OHM
    t = (-A + math.sqrt(A * A - 4.0 * B * (1.0 - ratio))) / (2.0 * B)
    if t < 0.0:
        for _ in range(20):
            step = (pt100_resistance_ohm(t) - resistance_ohm) / pt100_slope_ohm_per_k(t)
            t -= step
            if abs(step) < 1e-12:
                break
    return t


def pt100_tolerance_k(temperature_c: float, tolerance_class: str) -> float:
    """Half-width of the class tolerance at a temperature, K (IEC 60751; class AA, A, B or C)."""
    a, b = PT_TOLERANCE[tolerance_class]
    return a + b * abs(temperature_c)


def sensor_error(name: str) -> UFloat:
    """The hidden departure of one sensor, in units of its class tolerance: 0 ± 1, rectangular.

    Made once per sensor and run, so that readings of one sensor at two times share it.
    """
    return rectangular(0.0, 1.0, f"{name} tolerance", name)


def pt100_reading(resistance: UFloat, tolerance_class: str, error: UFloat | None = None) -> UFloat:
    """Temperature of a Pt100 from a four-wire resistance reading, °C.

    Contributions: the meter's, and the sensor's class tolerance (rectangular). Self-heating by the
    meter's milliampere (about 0.1 K in still air, less on metal) is not in it.

    Args:
        resistance: Ω, with the meter's uncertainty.
        tolerance_class: AA, A, B or C.
        error: the sensor's departure, from :func:`sensor_error`, shared by all readings of one
            sensor; None leaves it out (a calibrated sensor, its certificate in the resistance).

    Raises:
        NotMeasured: as :func:`pt100_temperature_c`.
    """
    nominal = float(resistance.nominal_value)
    t = pt100_temperature_c(nominal)
    value = t + (resistance - nominal) / pt100_slope_ohm_per_k(t)
    if error is None:
        return value
    return value + pt100_tolerance_k(t, tolerance_class) * error


def check_attached(rise_k: UFloat, heat_w: UFloat, least_k_per_w: float, minutes: float) -> None:
    """Refuse a heatsink reading from a sensor that has fallen off.

    Args:
        rise_k: sensor over ambient after ``minutes`` of dissipation, K.
        heat_w: heat going into the sink, W.
        least_k_per_w: least rise per watt a unit of this size shows by then.
        minutes: for the message.

    Raises:
        NotMeasured: the rise is below the least one by more than its expanded uncertainty.
    """
    least = heat_w * least_k_per_w
    short = least - rise_k
    if short.nominal_value > COVERAGE_FACTOR * short.std_dev:
        raise NotMeasured(
            f"{rise_k.nominal_value:.2g} K of rise after {minutes:.3g} min at "
            f"{heat_w.nominal_value:.3g} W",
            expected=f"at least {least.nominal_value:.2g} K",
            hint="sensor fallen off the heatsink, or the sink's fan is running",
        )
