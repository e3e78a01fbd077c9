"""Frequency weightings of noise: A, CCIR-468, and the plain 22 Hz to 22 kHz band."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
BAND_HZ = (22.0, 22_000.0)


class Weighting(StrEnum):
    """How noise is weighted before its rms is taken."""

    UNWEIGHTED = "unweighted"  # flat, 22 Hz to 22 kHz
    A = "A"  # IEC 61672-1
    CCIR_468 = "CCIR-468"  # ITU-R BS.468-4 (rms of the weighted noise, 0 dB at 1 kHz)


def a_power(frequency_hz: Array) -> Array:
    """A-weighting as a power ratio, 1 at 1 kHz.

    Source: IEC 61672-1, annex E: poles at 20.598997, 107.65265, 737.86223 and 12194.217 Hz.
    """
    s = np.square(frequency_hz)
    p1, p2, p3, p4 = (f * f for f in (20.598997, 107.65265, 737.86223, 12194.217))

    def power(s: Array) -> Array:
        t = s * s
        t *= t
        t /= np.square((s + p1) * (s + p4)) * ((s + p2) * (s + p3))
        return t

    weights: Array = power(s) / float(power(np.array([1.0e6]))[0])
    return weights


def ccir_468_power(frequency_hz: Array) -> Array:
    """ITU-R BS.468-4 weighting as a power ratio, 0 dB at 1 kHz (+12.2 dB at 6.3 kHz).

    The network's polynomials in the frequency, after ITU-R BS.468-4.
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    s = f * f
    h1 = ((-4.737338981378384e-24 * s + 2.043828333606125e-15) * s - 1.363894795463638e-7) * s + 1.0
    h2 = ((1.306612257412824e-19 * s - 2.118150887518656e-11) * s + 5.559488023498642e-4) * f
    # 1.2463e-4 f/|H| is the network; 18.246 dB brings its 1 kHz to 0 dB.
    scale = 1.246332637532143e-4**2 * 10.0 ** (18.246266068039 / 10.0)
    weights: Array = scale * s / (h1 * h1 + h2 * h2)
    return weights


def power_weights(weighting: Weighting, frequency_hz: Array) -> Array:
    """Weights for a power spectrum: the squared response of the weighting, 1 at its reference.

    Args:
        weighting: unweighted, A (IEC 61672-1) or CCIR-468 (ITU-R BS.468). Unweighted is flat here:
            its edges are cut by whoever sums.
        frequency_hz: Hz, any shape; that of the result.
    """
    if weighting is Weighting.A:
        return a_power(frequency_hz)
    if weighting is Weighting.CCIR_468:
        return ccir_468_power(frequency_hz)
    return np.ones_like(frequency_hz)


def white_share(weighting: Weighting) -> float:
    """Weighted over unweighted mean square of noise that is white from 22 Hz to 22 kHz."""
    frequency_hz = np.linspace(*BAND_HZ, 4000)
    return float(np.mean(power_weights(weighting, frequency_hz)))


def gain_db(weighting: Weighting, frequency_hz: float) -> float:
    """The weighting at one frequency, dB."""
    power = power_weights(weighting, np.array([frequency_hz], dtype=np.float64))
    return float(10.0 * np.log10(power[0]))
