"""The saturating exponential against NIST's certified Misra1a."""

from __future__ import annotations

import math

import numpy as np
import pytest

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


@pytest.mark.parametrize("what", CERTIFIED)
def test_misra1a_to_nine_certified_digits(what: str) -> None:
    fit = fit_saturating(np.array(X), np.array(Y), fit_start=False)
    b1_sd, b2_sd = fit.standard_deviations()
    got = {
        "b1": fit.rise,
        "b2": fit.rate,
        "sd b1": b1_sd,
        "sd b2": b2_sd,
        "residual sd": fit.residual_sd,
    }[what]
    digits = -math.log10(abs(got / CERTIFIED[what] - 1.0) + 1e-16)
    assert digits > DIGITS
