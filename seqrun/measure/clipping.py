"""The hard-clipped sine: distortion and power as functions of how deep it is clipped.

A sine of peak 1 cut symmetrically at ±c, by Fourier's integrals (any handbook):
fundamental ``b = (2/π)(asin c + c√(1−c²))``, mean square
``q = (1/π)(asin c − c√(1−c²)) + c²(1 − (2/π) asin c)``, THD ``√(2q − b²)/b``, power against a
sine that just reaches the clip level ``2q/c²``.
"""

from __future__ import annotations

import math

from seqrun.errors import NotMeasured

#: THD of a square wave, the limit of deep clipping: √(π²/8 − 1)
SQUARE_THD = math.sqrt(math.pi**2 / 8.0 - 1.0)


def clipped_thd(clip_ratio: float) -> float:
    """THD (to the fundamental) of a sine clipped at ``clip_ratio`` of its peak (0 < c ≤ 1)."""
    fundamental, square = _fundamental_and_square(clip_ratio)
    return math.sqrt(max(2.0 * square - fundamental**2, 0.0)) / fundamental


def clip_ratio_at_thd(thd: float) -> float:
    """Clip level over peak at which the clipped sine has this THD (ratio).

    Raises:
        NotMeasured: a distortion that no clipped sine has (0.483 is a square wave).
    """
    if not 0.0 <= thd < SQUARE_THD:
        raise NotMeasured(
            f"a distortion of {thd:.3g}", expected=f"less than that of a square, {SQUARE_THD:.3g}"
        )
    low, high = 1e-6, 1.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if clipped_thd(middle) > thd else (low, middle)
    return (low + high) / 2.0


def clipped_power_ratio(clip_ratio: float) -> float:
    """Power of the clipped sine over that of a sine that just reaches the clip level (1 … 2)."""
    return 2.0 * _fundamental_and_square(clip_ratio)[1] / clip_ratio**2


def power_ratio_at_thd(thd: float) -> float:
    """Power at this THD over power at the onset of clipping, for a hard clip on a stiff rail."""
    return clipped_power_ratio(clip_ratio_at_thd(thd))


def _fundamental_and_square(c: float) -> tuple[float, float]:
    if not 0.0 < c <= 1.0:
        raise ValueError(f"clip ratio {c}: 0 < ratio <= 1")
    angle, side = math.asin(c), c * math.sqrt(1.0 - c * c)
    fundamental = 2.0 / math.pi * (angle + side)
    square = (angle - side) / math.pi + c * c * (1.0 - 2.0 * angle / math.pi)
    return fundamental, square
