"""THD+N and sine fit of a million points, as ratios to what NumPy needs for the bare arithmetic.

* THD+N with ten harmonics, A-weighted, against one ``numpy.fft.rfft`` of the record: at most 2.5.
* Sine fit (three and four parameters) against one ``numpy.linalg.lstsq`` over the three columns
  cos, sin, 1, the columns being ready: at most 2.

Run: ``python tests/benchmarks/bench_spectrum.py``
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from seqrun.measure.distortion import distortion
from seqrun.measure.sinefit import fit_sine_4
from seqrun.measure.weighting import Weighting

POINTS = 1_000_000
RATES_HZ = (1e6, 96e3)  # a band of 22 kHz is a small and a large part of the spectrum
ROUNDS = 15
SPECTRUM_TARGET, FIT_TARGET = 2.5, 2.0


def ratio_of(work: Callable[[], object], reference: Callable[[], object]) -> float:
    """Shortest times of both, taken in turns so that a busy machine is busy for both."""
    shortest = [float("inf"), float("inf")]
    for _ in range(ROUNDS):
        for which, call in enumerate((work, reference)):
            start = time.perf_counter()
            call()
            shortest[which] = min(shortest[which], time.perf_counter() - start)
    return shortest[0] / shortest[1]


def record(rate_hz: float, frequency_hz: float) -> np.ndarray:
    """A tone with two harmonics and noise."""
    turn = 2.0 * np.pi * frequency_hz / rate_hz * np.arange(POINTS)
    noise = np.random.default_rng(1).normal(0.0, 1e-3, POINTS)
    return 0.1 + np.cos(turn) + 2e-3 * np.cos(2.0 * turn) + 1e-3 * np.cos(3.0 * turn) + noise


def main() -> int:
    ratios: list[tuple[str, float, float]] = []
    for rate in RATES_HZ:
        frequency = 997.3
        wave = record(rate, frequency)
        turn = 2.0 * np.pi * frequency / rate * np.arange(POINTS)
        columns = np.stack([np.cos(turn), np.sin(turn), np.ones(POINTS)], axis=1)

        def transform(wave: np.ndarray = wave) -> object:
            return np.fft.rfft(wave)

        def solution(wave: np.ndarray = wave, columns: np.ndarray = columns) -> object:
            return np.linalg.lstsq(columns, wave, rcond=None)

        works: list[tuple[str, Callable[[], object], Callable[[], object], float]] = [
            (
                f"THD+N, A-weighted, {rate / 1e3:g} kHz, over rfft",
                lambda wave=wave, rate=rate: distortion(wave, rate, weighting=Weighting.A),
                transform,
                SPECTRUM_TARGET,
            ),
            (
                f"4-parameter sine fit from a start, {rate / 1e3:g} kHz, over lstsq",
                lambda wave=wave, rate=rate: fit_sine_4(wave, rate, 997.0),
                solution,
                FIT_TARGET,
            ),
            (
                f"4-parameter sine fit without a start, {rate / 1e3:g} kHz, over lstsq",
                lambda wave=wave, rate=rate: fit_sine_4(wave, rate),
                solution,
                FIT_TARGET,
            ),
        ]
        for name, work, reference, target in works:
            ratios.append((name, ratio_of(work, reference), target))
    for name, ratio, target in ratios:
        word = "ok" if ratio <= target else "TOO SLOW"
        print(f"{name:<60} {ratio:5.2f}  (target {target:g})  {word}")
    return int(any(ratio > target for _, ratio, target in ratios))


if __name__ == "__main__":
    sys.exit(main())
