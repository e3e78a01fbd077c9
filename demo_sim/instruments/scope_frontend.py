"""From volts at a probe tip to converter codes: attenuator, amplifier, noise, converter.

Codes are unsigned 16-bit whatever the converter's width: an N-bit step is 2^(16−N) codes, centre
screen is code 32768 and the eight divisions are the whole 65536. A sample that the converter could
not hold is code 0 or 65535, which no other sample of an 8- or 12-bit acquisition has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_sim.instruments import specifications as spec
from demo_sim.noise import nearly_normal

CODES = 65536
CENTRE = 32768
LOWEST, HIGHEST = 0, 65535


@dataclass(frozen=True, slots=True)
class FrontEnd:
    """One channel as it is set, with what is wrong with it.

    Args:
        range_pp_v: full scale at the probe tip, as the declared probe factor makes them.
        offset_v: volts at the tip that stand at centre screen.
        probe_declared: attenuation that the operator told the scope.
        probe_fitted: attenuation of the probe that is really there.
        gain_error: fraction. offset_error: fraction of full scale.
        second, third: coefficients of the amplifier's curvature u + second·u² + third·u³, u = ±1
            at full scale. late: how many samples the curvature lags behind the signal.
        noise_of_range: rms noise, fraction of full scale, before any averaging.
    """

    range_pp_v: float
    offset_v: float = 0.0
    probe_declared: float = 10.0
    probe_fitted: float = 10.0
    gain_error: float = 0.0
    offset_error: float = 0.0
    second: float = 0.0
    third: float = 0.0
    late: int = 0
    noise_of_range: float = spec.SCOPE_NOISE_OF_RANGE
    bits: int = spec.SCOPE_BITS


def screen(
    volts: NDArray[np.float64], front: FrontEnd, rng: np.random.Generator, averaged: int = 1
) -> NDArray[np.float32]:
    """Volts at the tip -> position on the screen in codes from centre, before the converter.

    ``averaged`` is how many converter samples high-resolution mode folds into one.
    """
    seen = front.probe_declared / front.probe_fitted  # 10 when ×1 is fitted and ×10 declared
    scale = seen * (1.0 + front.gain_error) / (0.5 * front.range_pp_v)
    shift = 2.0 * front.offset_error - front.offset_v / (0.5 * front.range_pp_v)
    u: NDArray[np.float32] = np.empty(volts.shape, dtype=np.float32)
    np.multiply(volts, scale, out=u, casting="same_kind")
    if shift:
        u += np.float32(shift)
    if front.second or front.third:
        # An amplifier driven off the screen limits; the curvature is specified on the screen.
        held = np.clip(u, -1.5, 1.5)
        bend = held * np.float32(front.third)
        bend += np.float32(front.second)
        bend *= held
        bend *= held
        late = min(front.late, u.size)
        u[late:] += bend[: u.size - late]
        u[:late] += bend[:late]
    noise = nearly_normal(u.size, rng)
    noise *= np.float32(2.0 * front.noise_of_range / math.sqrt(averaged))
    u += noise
    u *= np.float32(CENTRE)
    return u


def convert(position: NDArray[np.float32], bits: int) -> NDArray[np.uint16]:
    """Round to converter steps; out of range becomes the lowest or highest 16-bit code."""
    step = CODES >> bits
    codes = position * np.float32(1.0 / step)
    np.rint(codes, out=codes)
    # Top and bottom step of an N-bit converter are where it saturates.
    low, high = float(-CENTRE // step), float(CENTRE // step)
    over = codes >= high
    under = codes <= low
    codes *= np.float32(step)
    codes += np.float32(CENTRE)
    if over.any() or under.any():
        codes[over] = HIGHEST
        codes[under] = LOWEST
    return codes.astype(np.uint16)


def high_resolution_bits(bits: int, folded: int) -> int:
    """Resolution after folding samples: half a bit per doubling, no more than 16."""
    return min(16, bits + int(0.5 * math.log2(max(1, folded))))
