"""Disturbances as functions of bench time, repeatable: equal questions get equal answers.

White and flicker noise are drawn per window, from a stream named after the source and the window;
hum and random bursts are functions of bench time itself, so windows that overlap agree.

Most of what a simulated run costs is drawn here, so the cheap way is taken wherever it is as true.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

Floats = NDArray[np.float64]
Real = TypeVar("Real", np.float32, np.float64)
SPACING_DIGITS = 14  # of seconds: a rounded difference of times tells no more
SLOW_RATE_HZ = 16e3  # enough for hum, flicker and bursts
BURST_SLOT_S = 1.0  # bursts are drawn slot by slot
MOST_BURSTS_HZ = 400.0


def stream(seed: int, name: str) -> np.random.Generator:
    """A generator that depends on the seed and the name alone (SHA-256, so on any machine)."""
    digest = hashlib.sha256(f"{seed}:{name}".encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest[:16], "little")))


class _Digest(np.random.bit_generator.ISeedSequence):
    """A digest as a seed: it is as mixed as NumPy would make it, which takes four times as long."""

    def __init__(self, digest: bytes) -> None:
        self._digest = digest

    def generate_state(self, n_words: int, dtype: DTypeLike = np.uint32) -> NDArray[np.uint32]:
        return np.frombuffer(self._digest, dtype=dtype, count=n_words)


def moment(seed: int, name: str) -> np.random.Generator:
    """As ``stream``, for one window: made in a moment, because there are thousands."""
    digest = hashlib.sha256(f"{seed}:{name}".encode()).digest()
    # NumPy takes any seed sequence of this interface; its type stub knows its own alone.
    return np.random.Generator(np.random.PCG64(_Digest(digest)))  # type: ignore[arg-type]


def nearly_normal(points: int, rng: np.random.Generator, summed: int = 8) -> NDArray[np.float32]:
    """White noise of mean 0 and variance 1, shape (points,): sums of ``summed`` random bytes.

    By the central limit theorem all but normal: of eight, excess kurtosis −0.15 and nothing beyond
    4.9 σ; of two, −0.6 and 2.4 σ, enough where many are added up again. At a fraction of the cost
    of normal deviates, which would be most of the cost of a capture.
    """
    width = -(-points // 8) * 8
    raw: NDArray[np.uint64] = rng.bit_generator.random_raw(width * summed // 8)
    rows = raw.view(np.uint8).reshape(summed, -1)
    total = rows[0].astype(np.uint16)
    for row in rows[1:]:
        total += row
    noise: NDArray[np.float32] = total[:points].astype(np.float32)
    noise -= np.float32(summed * 127.5)
    noise *= np.float32(1.0 / math.sqrt(summed * (256**2 - 1) / 12))
    return noise


@dataclass(frozen=True, slots=True)
class Window:
    """Uniformly spaced times."""

    start_s: float
    spacing_s: float
    points: int

    @classmethod
    def of(cls, t: Floats) -> Window:
        if t.size < 2:
            return cls(float(t[0]) if t.size else 0.0, 1e-6, int(t.size))
        return cls(float(t[0]), float((t[-1] - t[0]) / (t.size - 1)), int(t.size))

    @property
    def name(self) -> str:
        """What tells this window from another, to a nanosecond."""
        return f"{self.start_s:.9f}/{self.spacing_s:.12f}/{self.points}"


def stretched(coarse: NDArray[Real], factor: int, points: int) -> NDArray[Real]:
    """Linear interpolation of evenly spaced values onto a grid ``factor`` times finer."""
    if factor == 1:
        return coarse[:points]
    ramp = (np.arange(factor) / factor).astype(coarse.dtype)
    fine: NDArray[Real] = np.diff(coarse)[:, None] * ramp
    fine += coarse[:-1, None]
    return fine.reshape(-1)[:points]


def white(
    window: Window, density: float, pole_hz: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Noise of ``density`` V/√Hz, flat to about ``pole_hz`` or to half the sample rate."""
    factor = max(1, int(1.0 / (window.spacing_s * 4.0 * pole_hz)))
    count = math.ceil(window.points / factor) + 1
    rate = 1.0 / (window.spacing_s * factor)
    values = nearly_normal(count, rng)
    values *= np.float32(density * math.sqrt(rate / 2.0))
    return stretched(values, factor, window.points)


def slow_grid(window: Window) -> tuple[int, Floats]:
    """How much coarser than the window slow things may be drawn, and at which times."""
    factor = max(1, int(1.0 / (window.spacing_s * SLOW_RATE_HZ)))
    count = math.ceil(window.points / factor) + 1
    steps = np.arange(count, dtype=np.float64)
    return factor, np.asarray(window.start_s + steps * (factor * window.spacing_s))


@lru_cache(maxsize=32)
def _transform_size(least: int) -> int:
    """The next length that a fast transform likes: a power of two times 1, 3 or 5."""
    return min(factor << max(0, (-(-least // factor) - 1).bit_length()) for factor in (2, 6, 10))


@lru_cache(maxsize=8)
def _falling(size: int) -> NDArray[np.float32]:
    """1/√k for the bins k of a real transform, each for a real and an imaginary part; 0 for DC."""
    bins = np.arange(size // 2 + 1)
    bins[0] = 1
    falling = np.repeat(1.0 / np.sqrt(bins), 2).astype(np.float32)
    falling[:2] = 0.0
    falling.flags.writeable = False
    return falling


def flicker(times: Floats, density: float, corner_hz: float, rng: np.random.Generator) -> Floats:
    """1/f noise that equals ``density`` at ``corner_hz``; nothing slower than two windows."""
    count = times.size
    if count < 4:
        return np.zeros(count)
    size = _transform_size(2 * count)
    lines = nearly_normal(2 * (size // 2 + 1), rng, 2)  # they are added up by the hundred
    lines *= _falling(size)
    drawn: Floats = np.fft.irfft(lines.view(np.complex64), size)[:count].astype(np.float64)
    # Bin k lies at k/(size · spacing); density² · corner/f, one-sided, over half of size/spacing.
    drawn *= 0.5 * density * math.sqrt(corner_hz) * size
    return drawn


@dataclass(frozen=True, slots=True)
class Sinusoid:
    frequency_hz: float
    peak: float
    phase_rad: float = 0.0

    def at(self, t: Floats) -> Floats:
        return self.peak * np.sin(2.0 * np.pi * self.frequency_hz * t + self.phase_rad)

    def times(self, factor: float) -> Sinusoid:
        """The same line, higher or lower."""
        return Sinusoid(self.frequency_hz, factor * self.peak, self.phase_rad)

    def mean(self, start_s: float, seconds: float) -> float:
        omega = 2.0 * math.pi * self.frequency_hz
        a = omega * start_s + self.phase_rad
        return self.peak * (math.cos(a) - math.cos(a + omega * seconds)) / (omega * seconds)


@lru_cache(maxsize=64)
def hum(rectified_v: float, line_v: float, line_hz: float = 50.0) -> tuple[Sinusoid, ...]:
    """Line frequency, and the saw-tooth of a full-wave rectifier's reservoir (twice the line)."""
    parts = [Sinusoid(line_hz, line_v, 0.7)] if line_v else []
    if rectified_v:
        # Fourier series of a saw-tooth: 1/k. Six harmonics reach 600 Hz.
        parts += [
            Sinusoid(2.0 * line_hz * k, rectified_v * 2.0 / math.pi / k, 0.3) for k in range(1, 7)
        ]
    return tuple(parts)


@lru_cache(maxsize=64)
def odd_lines(peak_v: float, line_hz: float = 50.0) -> tuple[Sinusoid, ...]:
    """Odd multiples of the line from the third to the seventh, each a half of the one before."""
    if not peak_v:
        return ()
    return tuple(
        Sinusoid(line_hz * k, peak_v * 0.5**number, 0.3) for number, k in enumerate((3, 5, 7))
    )


@lru_cache(maxsize=64)
def buzz(peak_v: float, line_hz: float = 50.0) -> tuple[Sinusoid, ...]:
    """Even multiples of the line from the twelfth to the fortieth, all alike."""
    if not peak_v:
        return ()
    return tuple(Sinusoid(line_hz * k, peak_v, 0.3 * k) for k in range(12, 41, 2))


def added(parts: tuple[Sinusoid, ...], t: Floats) -> Floats:
    """Their sum at evenly spaced times ``t``.

    sin(a + b) = sin a cos b + cos a sin b, with a at every n-th time and b within n: one small
    matrix product takes the place of a sine for each time and part.
    """
    if not parts or t.size == 0:
        return np.zeros(t.size)
    within = math.isqrt(t.size - 1) + 1
    spacing = float(t[-1] - t[0]) / max(t.size - 1, 1)
    omega, phase, right = _within(parts, round(spacing, SPACING_DIGITS), within)
    coarse = np.multiply.outer(t[::within], omega)
    coarse += phase
    left = np.concatenate((np.sin(coarse), np.cos(coarse)), axis=1)
    return np.asarray((left @ right).reshape(-1)[: t.size])


@lru_cache(maxsize=64)
def _within(
    parts: tuple[Sinusoid, ...], spacing_s: float, count: int
) -> tuple[Floats, Floats, Floats]:
    """ω and phase of the parts, and what ``added`` multiplies by: the same for each window of a
    kind."""
    omega = np.array([2.0 * math.pi * part.frequency_hz for part in parts])
    phase = np.array([part.phase_rad for part in parts])
    peak = np.array([[part.peak] for part in parts])
    fine = np.outer(omega, spacing_s * np.arange(count))
    return omega, phase, np.concatenate((peak * np.cos(fine), peak * np.sin(fine)))


class Bursts:
    """Random bursts of a noisy junction: steps that come and go, with noise on top.

    Poisson in time; each lasts 2 … 60 ms and has its own height and sign.
    """

    def __init__(self, seed: int, name: str) -> None:
        self._seed, self._name = seed, name

    def at(self, t: Floats, height_v: float, rate_hz: float) -> Floats:
        """V at times ``t`` (ascending)."""
        out = np.zeros(t.size)
        if t.size == 0 or height_v <= 0.0:
            return out
        first = math.floor((float(t[0]) - 0.1) / BURST_SLOT_S)
        for slot in range(first, math.floor(float(t[-1]) / BURST_SLOT_S) + 1):
            rng = stream(self._seed, f"{self._name}.{slot}")
            # Drawn for the highest rate and thinned, so that a change of rate only adds or drops.
            count = int(rng.poisson(BURST_SLOT_S * MOST_BURSTS_HZ))
            begins = slot * BURST_SLOT_S + rng.uniform(0.0, BURST_SLOT_S, count)
            lasts = rng.uniform(2e-3, 60e-3, count)
            heights = rng.normal(0.0, 1.0, count)
            chance = rng.uniform(0.0, MOST_BURSTS_HZ, count)
            keep = chance < rate_hz
            for begin, last, height in zip(begins[keep], lasts[keep], heights[keep], strict=True):
                a, b = np.searchsorted(t, (begin, begin + last))
                if b > a:
                    decay = np.exp(-(t[a:b] - begin) / (0.5 * last))
                    crackle = np.sin(2.0 * np.pi * 740.0 * (t[a:b] - begin)) ** 3
                    out[a:b] += height_v * (height + 0.6 * crackle * abs(height)) * decay
        return out


def mean_over(function: Callable[[Floats], Floats], start_s: float, seconds: float) -> float:
    """Mean of a slow function over a stretch of time, by 2 ms or finer steps."""
    count = max(64, min(20_000, int(seconds / 1e-3)))
    t = np.asarray(start_s + (np.arange(count) + 0.5) * (seconds / count), dtype=np.float64)
    return float(function(t).mean())
