"""The saturating exponential against NIST's certified Misra1a."""

from __future__ import annotations

import math

import numpy as np

from seqrun.measure.saturating import fit_saturating

# NIST StRD, nonlinear regression, Misra1a: y = b1(1 − exp(−b2 x)).
X = [
    77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0,
]  # fmt: skip
Y = [
    10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47,
    81.78,
]  # fmt: skip
CERTIFIED = {
    "b1": 238.94212918,
    "b2": 5.5015643181e-4,
    "sd b1": 2.7070075241,
    "sd b2": 7.2668688436e-6,
    "residual sd": 0.10187876330,
}
DIGITS = 9


def tied_down(readings: int) -> np.ndarray:
    """The shipped fit of Misra1a with its start held at zero by so many readings of zero there.

    The certified model has no start of its own. With N readings at the origin the fit's start is
    off by a/N + b/N² + …; the standard deviations are brought to the certified degrees of freedom.
    """
    zeros = [0.0] * readings
    fit = fit_saturating(np.array(zeros + X), np.array(zeros + Y))
    freedom = math.sqrt(fit.degrees_of_freedom / (len(X) - 2))
    rise_sd, rate_sd, _ = (freedom * sd for sd in fit.standard_deviations())
    return np.array([fit.rise, fit.rate, rise_sd, rate_sd, freedom * fit.residual_sd])


def test_misra1a_to_nine_certified_digits() -> None:
    one, two, four = (tied_down(n) for n in (4000, 8000, 16000))
    endless = (8.0 * four - 6.0 * two + one) / 3.0  # 1/N and 1/N² drop out (Richardson)
    digits = -np.log10(np.abs(endless / list(CERTIFIED.values()) - 1.0) + 1e-16)
    assert digits.min() > DIGITS, dict(zip(CERTIFIED, digits, strict=True))
