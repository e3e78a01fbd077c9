"""Least-squares sums of a long record against tones, without building the columns.

A record of N points is seen as B rows of K: ``exp(jω(bK+k)) = exp(jωbK)·exp(jωk)``, so the sums
``Σ y e^{-jωm}`` and ``Σ m y e^{-jωm}`` cost one small matrix product and B + K sines instead of N.
The index is centred, ``m = n − (N−1)/2``: sine and cosine sums are then orthogonal by symmetry and
all entries of the normal matrix follow from the Dirichlet kernel in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
ROW = 1024
#: rows handled at a time: what they make stays in the cache, and the products stay below the size
#: at which the linear algebra library starts threads that would wait for each other
BATCH = 64


@dataclass(frozen=True, slots=True)
class Rows:
    """A record cut into rows, with its centre."""

    rows: Array  # (B, K)
    tail: Array  # fewer than K points
    points: int
    total: float  # Σ y

    @property
    def centre(self) -> float:
        return (self.points - 1) / 2.0


def record(values: Array) -> Rows:
    """Prepare a record (shape (points,)) for the sums below; a view where possible."""
    values = np.ascontiguousarray(values, dtype=np.float64)
    row = ROW if values.size >= 8 * ROW else max(values.size // 8, 1)
    whole = values.size - values.size % row
    return Rows(values[:whole].reshape(-1, row), values[whole:], values.size, float(values.sum()))


def dirichlet(theta: float, points: int) -> tuple[float, float, float]:
    """D(θ) = Σ cos(θm) over the centred index m, and its first and second derivative.

    Args:
        theta: rad per sample.
        points: how many samples the sum goes over.
    """
    half = theta / 2.0
    r = math.sin(half)
    if abs(r) < 1e-12:
        m2 = points * (points * points - 1.0) / 12.0
        return float(points), 0.0, -m2
    s, c = math.sin(points * half), math.cos(points * half)
    dr = math.cos(half) / 2.0
    d = s / r
    d1 = (points / 2.0 * c - d * dr) / r
    d2 = (-points * points / 4.0 * s + d * r / 4.0 - 2.0 * dr * d1) / r
    return d, d1, d2


def sums(rec: Rows, omega: float, weighted: bool = False) -> tuple[complex, complex]:
    """(Σ y e^{-jωm}, Σ m y e^{-jωm}); the second is 0 unless ``weighted``. ω in rad per sample."""
    rows, row = rec.rows, rec.rows.shape[1]
    k = np.arange(row, dtype=np.float64)
    turn = np.exp(-1j * omega * k)
    columns = [turn.real, turn.imag]
    if weighted:
        columns += [k * turn.real, k * turn.imag]
    products = _times(rows, np.stack(columns, axis=1))
    start = np.arange(rows.shape[0], dtype=np.float64) * row - rec.centre
    spin = np.exp(-1j * omega * start)
    per_row = products[:, 0] + 1j * products[:, 1]
    first = complex(per_row @ spin)
    second = 0j
    if weighted:
        moment = products[:, 2] + 1j * products[:, 3] + start * per_row
        second = complex(moment @ spin)
    if rec.tail.size:
        m = np.arange(rec.points - rec.tail.size, rec.points, dtype=np.float64) - rec.centre
        end = rec.tail * np.exp(-1j * omega * m)
        first += complex(end.sum())
        second += complex((m * end).sum()) if weighted else 0j
    return first, second


def _times(rows: Array, columns: Array) -> Array:
    out = np.empty((rows.shape[0], columns.shape[1]))
    for start in range(0, rows.shape[0], BATCH):
        np.matmul(rows[start : start + BATCH], columns, out=out[start : start + BATCH])
    return out


def segment_phasors(rec: Rows, omega: float, segments: int) -> tuple[NDArray[np.complex128], float]:
    """Demodulated phasors of consecutive segments, and the segments' spacing in samples."""
    row = rec.rows.shape[1]
    turn = np.exp(-1j * omega * np.arange(row, dtype=np.float64))
    products = _times(rec.rows, np.stack([turn.real, turn.imag], axis=1))
    start = np.arange(rec.rows.shape[0], dtype=np.float64) * row - rec.centre
    per_row = (products[:, 0] + 1j * products[:, 1]) * np.exp(-1j * omega * start)
    each = max(rec.rows.shape[0] // segments, 1)
    count = rec.rows.shape[0] // each
    grouped = per_row[: count * each].reshape(count, each).sum(axis=1)
    return grouped, float(each * row)


@dataclass(frozen=True, slots=True)
class ToneFit:
    """Amplitudes of tones of known frequency and what is left of the record.

    ``y_m ≈ offset + Σ Re(phasor_i · e^{jω_i m})`` on the centred index m.
    """

    phasors: tuple[complex, ...]
    offset: float
    residual_square: float  # Σ of squared residuals
    points: int


def fit_tones(rec: Rows, omegas: Sequence[float]) -> ToneFit:
    """Exact least squares of an offset and tones at known ω (rad per sample, all different).

    IEEE 1057's three-parameter fit, extended to any number of tones.
    """
    n, count = rec.points, len(omegas)
    even = np.empty((count + 1, count + 1))
    odd = np.empty((count, count))
    even_right, odd_right = np.empty(count + 1), np.empty(count)
    even[count, count] = n
    even_right[count] = rec.total
    for i, wi in enumerate(omegas):
        even[i, count] = even[count, i] = dirichlet(wi, n)[0]
        for j, wj in enumerate(omegas[: i + 1]):
            minus, plus = dirichlet(wi - wj, n)[0], dirichlet(wi + wj, n)[0]
            even[i, j] = even[j, i] = (minus + plus) / 2.0
            odd[i, j] = odd[j, i] = (minus - plus) / 2.0
        first, _ = sums(rec, wi)
        even_right[i], odd_right[i] = first.real, -first.imag
    cosines = np.linalg.solve(even, even_right)
    sines = np.linalg.solve(odd, odd_right)
    phasors = tuple(complex(a, -b) for a, b in zip(cosines[:count], sines, strict=True))
    offset = float(cosines[count])
    return ToneFit(phasors, offset, residual_square(rec, omegas, phasors, offset), n)


def residual_square(
    rec: Rows, omegas: Sequence[float], phasors: Sequence[complex], offset: float
) -> float:
    """Σ of squared differences between record and curve, taken point by point (the difference of
    two large sums would lose what lies 140 dB down)."""
    row = rec.rows.shape[1]
    start = np.arange(rec.rows.shape[0], dtype=np.float64) * row - rec.centre
    left, right = [np.full(start.size, offset)], [np.ones(row)]
    m = np.arange(rec.points - rec.tail.size, rec.points, dtype=np.float64) - rec.centre
    tail = rec.tail - offset
    k = np.arange(row, dtype=np.float64)
    for omega, phasor in zip(omegas, phasors, strict=True):
        turned = phasor * np.exp(1j * omega * start)
        left += [turned.real, -turned.imag]
        right += [np.cos(omega * k), np.sin(omega * k)]
        tail = tail - (phasor * np.exp(1j * omega * m)).real
    per_row, within = np.stack(left, axis=1), np.stack(right, axis=0)
    total = float(np.einsum("i,i->", tail, tail))
    curve = np.empty((BATCH, row))
    for first in range(0, rec.rows.shape[0], BATCH):
        rows = rec.rows[first : first + BATCH]
        part = curve[: rows.shape[0]]
        np.matmul(per_row[first : first + BATCH], within, out=part)
        np.subtract(rows, part, out=part)
        total += float(np.einsum("ij,ij->", part, part))
    return total
