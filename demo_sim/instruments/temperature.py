"""From what a sensor shows to its temperature, as a meter's own conversion does it.

Platinum: IEC 60751 (Callendar–Van Dusen, R0 = 100 Ω or another). Thermocouples: the inverse
polynomials of the NIST ITS-90 database. Thermistors: Steinhart–Hart with the coefficients usual
for interchangeable 2.252, 5 and 10 kΩ types. All temperatures in °C; NaN outside the range.
"""

from __future__ import annotations

import math

_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12  # IEC 60751:2008, 4.2

# mV -> °C, coefficients from the constant term up, with the range of validity in mV.
_THERMOCOUPLES: dict[str, tuple[tuple[float, float], tuple[float, ...]]] = {
    "K": (
        (0.0, 20.644),
        (0.0, 2.508355e1, 7.860106e-2, -2.503131e-1, 8.315270e-2, -1.228034e-2, 9.804036e-4,
         -4.413030e-5, 1.057734e-6, -1.052755e-8),
    ),
    "J": (
        (0.0, 42.919),
        (0.0, 1.978425e1, -2.001204e-1, 1.036969e-2, -2.549687e-4, 3.585153e-6, -5.344285e-8,
         5.099890e-10),
    ),
    "T": (
        (0.0, 20.872),
        (0.0, 2.592800e1, -7.602961e-1, 4.637791e-2, -2.165394e-3, 6.048144e-5, -7.293422e-7),
    ),
}  # fmt: skip

_THERMISTORS: dict[int, tuple[float, float, float]] = {
    2252: (1.468e-3, 2.383e-4, 1.007e-7),
    5000: (1.285e-3, 2.362e-4, 9.285e-8),
    10000: (1.032e-3, 2.387e-4, 1.580e-7),
}

THERMOCOUPLES = tuple(_THERMOCOUPLES)
THERMISTORS = tuple(_THERMISTORS)


def platinum_resistance(celsius: float, r0: float = 100.0) -> float:
    """Ω of a platinum sensor, −200…850 °C (IEC 60751)."""
    cubic = _C * (celsius - 100.0) * celsius**3 if celsius < 0.0 else 0.0
    return r0 * (1.0 + _A * celsius + _B * celsius * celsius + cubic)


def platinum_temperature(ohms: float, r0: float = 100.0) -> float:
    """°C of a platinum sensor that shows ``ohms``; NaN outside −200…850 °C."""
    if not platinum_resistance(-200.0, r0) <= ohms <= platinum_resistance(850.0, r0):
        return math.nan
    ratio = ohms / r0
    celsius = (-_A + math.sqrt(_A * _A - 4.0 * _B * (1.0 - ratio))) / (2.0 * _B)
    if celsius < 0.0:  # the cubic term is small: Newton from the quadratic's root
        for _ in range(6):
            slope = r0 * (_A + 2.0 * _B * celsius + _C * (4.0 * celsius**3 - 300.0 * celsius**2))
            celsius -= (platinum_resistance(celsius, r0) - ohms) / slope
    return celsius


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for c in reversed(coefficients):
        total = total * x + c
    return total


def thermocouple_volts(celsius: float, kind: str = "K") -> float:
    """V of a couple with its cold end at 0 °C: the inverse polynomial, inverted by bisection."""
    (low, high), coefficients = _THERMOCOUPLES[kind]
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _polynomial(coefficients, middle) < celsius:
            low = middle
        else:
            high = middle
    return 0.5e-3 * (low + high)


def thermocouple_temperature(volts: float, cold_celsius: float, kind: str = "K") -> float:
    """°C of the hot end, from the volts at terminals of ``cold_celsius``."""
    (low, high), coefficients = _THERMOCOUPLES[kind]
    millivolts = 1e3 * (volts + thermocouple_volts(cold_celsius, kind))
    if not low - 0.5 <= millivolts <= high:
        return math.nan
    return _polynomial(coefficients, millivolts)


def thermistor_temperature(ohms: float, r25: int = 5000) -> float:
    """°C by Steinhart–Hart; NaN outside −80…150 °C."""
    if not ohms > 0.0 or math.isinf(ohms):
        return math.nan
    a, b, c = _THERMISTORS[r25]
    log = math.log(ohms)
    celsius = 1.0 / (a + b * log + c * log**3) - 273.15
    return celsius if -80.0 <= celsius <= 150.0 else math.nan
