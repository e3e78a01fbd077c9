"""One bipolar power device with a resistor in its emitter, over temperature.

Ic = Is(T) · exp(Vbe / Vt), Vt = kT/q, Is ∝ T³ · exp(−Eg/kT): the textbook model (e.g. Gray & Meyer,
Analysis and Design of Analog Integrated Circuits, chapter 1; from memory). At constant current Vbe
then falls by about 2 mV/K. Base currents are left to the drivers.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

K_OVER_Q = 8.617333262e-5  # V/K, CODATA 2018
ZERO_C = 273.15
GAP_V = 1.12  # silicon
REFERENCE_C = 25.0
# A medium power device: 0.60 V at 25 mA and 25 °C.
VBE_AT_REFERENCE = 0.600
CURRENT_AT_REFERENCE = 0.025
FEW = 1000  # values for which SciPy's function is the quicker one; beyond, our own whole arrays
_REFERENCE_K = REFERENCE_C + ZERO_C
_LOG_AT_REFERENCE = math.log(CURRENT_AT_REFERENCE) - VBE_AT_REFERENCE / (K_OVER_Q * _REFERENCE_K)


def thermal_voltage(celsius: Floats | float) -> Floats:
    """kT/q, V."""
    return K_OVER_Q * (np.asarray(celsius, dtype=np.float64) + ZERO_C)


def log_saturation_current(celsius: Floats | float) -> Floats:
    """ln(Is / 1 A) at a junction temperature."""
    kelvin = np.asarray(celsius, dtype=np.float64) + ZERO_C
    return np.asarray(
        _LOG_AT_REFERENCE
        + 3.0 * np.log(kelvin / _REFERENCE_K)
        + GAP_V / K_OVER_Q * (1.0 / _REFERENCE_K - 1.0 / kelvin)
    )


def vbe(current: float, celsius: float) -> float:
    """Base-emitter volts of the nominal device."""
    return float(thermal_voltage(celsius) * (np.log(current) - log_saturation_current(celsius)))


def wright_omega(x: Floats) -> Floats:
    """y with y + ln y = x, for real x; relative error below 1e-12.

    Two steps of the fourth-order iteration of Fritsch, Shafer and Crowley, Comm. ACM 16 (1973) 123.
    """
    x = np.maximum(x, -690.0)
    if x.size <= FEW:
        from scipy.special import wrightomega  # where it is used: it takes a while to import

        return np.asarray(wrightomega(x))
    y = np.where(
        x > 1.0,
        x - np.log(np.maximum(x, 1.0)),
        np.exp(np.minimum(x, 1.0) - 0.4328 * np.exp(np.minimum(x - 1.0, 0.0))),
    )
    for _ in range(2):
        residual = x - y - np.log(y)
        one = 1.0 + y
        t = one * (one + residual * (2.0 / 3.0))
        y = y * (1.0 + residual / one * (t - 0.5 * residual) / (t - residual))
    return y
