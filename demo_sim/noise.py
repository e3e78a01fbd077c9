"""Disturbances as functions of bench time, repeatable: equal questions get equal answers.

White and flicker noise are drawn per window, from a stream named after the source and the window;
hum and random bursts are functions of bench time itself, so windows that overlap agree.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Real = TypeVar("Real", np.float32, np.float64)
SLOW_RATE_HZ = 16e3  # enough for hum, flicker and bursts
BURST_SLOT_S = 1.0  # bursts are drawn slot by slot
MOST_BURSTS_HZ = 400.0


def stream(seed: int, name: str) -> np.random.Generator:
    """A generator that depends on the seed and the name alone (SHA-256, so on any machine)."""
    digest = hashlib.sha256(f"{seed}:{name}".encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest[:16], "little")))


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
    values = rng.standard_normal(count, dtype=np.float32)
    values *= np.float32(density * math.sqrt(rate / 2.0))
    return stretched(values, factor, window.points)


def slow_grid(window: Window) -> tuple[int, Floats]:
    """How much coarser than the window slow things may be drawn, and at which times."""
    factor = max(1, int(1.0 / (window.spacing_s * SLOW_RATE_HZ)))
    count = math.ceil(window.points / factor) + 1
    steps = np.arange(count, dtype=np.float64)
    return factor, np.asarray(window.start_s + steps * (factor * window.spacing_s))


def flicker(times: Floats, density: float, corner_hz: float, rng: np.random.Generator) -> Floats:
    """1/f noise that equals ``density`` at ``corner_hz``; nothing slower than the window."""
    count = times.size
    if count < 4:
        return np.zeros(count)
    spacing = float(times[1] - times[0])
    size = 1 << (2 * count - 1).bit_length()
    frequencies = np.fft.rfftfreq(size, spacing)
    scale = np.zeros(frequencies.size)
    scale[1:] = density * np.sqrt(corner_hz / frequencies[1:]) * math.sqrt(size / (4.0 * spacing))
    spectrum = (
        rng.standard_normal(frequencies.size) + 1j * rng.standard_normal(frequencies.size)
    ) * scale
    return np.asarray(np.fft.irfft(spectrum, size)[:count])


@dataclass(frozen=True, slots=True)
class Sinusoid:
    frequency_hz: float
    peak: float
    phase_rad: float = 0.0

    def at(self, t: Floats) -> Floats:
        return self.peak * np.sin(2.0 * np.pi * self.frequency_hz * t + self.phase_rad)

    def mean(self, start_s: float, seconds: float) -> float:
        omega = 2.0 * math.pi * self.frequency_hz
        a = omega * start_s + self.phase_rad
        return self.peak * (math.cos(a) - math.cos(a + omega * seconds)) / (omega * seconds)


def hum(rectified_v: float, line_v: float, line_hz: float = 50.0) -> tuple[Sinusoid, ...]:
    """Line frequency, and the saw-tooth of a full-wave rectifier's reservoir (twice the line)."""
    parts = [Sinusoid(line_hz, line_v, 0.7)] if line_v else []
    if rectified_v:
        # Fourier series of a saw-tooth: 1/k. Six harmonics reach 600 Hz.
        parts += [
            Sinusoid(2.0 * line_hz * k, rectified_v * 2.0 / math.pi / k, 0.3) for k in range(1, 7)
        ]
    return tuple(parts)


def added(parts: Sequence[Sinusoid], t: Floats) -> Floats:
    """Their sum at times ``t``. Multiples of one frequency are powers of one turning phasor, which
    costs a third of as many sines."""
    total = np.zeros(t.size)
    if not parts:
        return total
    base = min(part.frequency_hz for part in parts)
    orders = [part.frequency_hz / base for part in parts]
    if len(parts) < 3 or any(order != round(order) for order in orders):
        for part in parts:
            total += part.at(t)
        return total
    turn = np.exp(2j * np.pi * base * t)
    power, reached = turn.copy(), 1
    for order, part in sorted(zip(map(round, orders), parts, strict=True), key=lambda p: p[0]):
        for _ in range(order - reached):
            power *= turn
        reached = order
        phase = part.phase_rad
        total += (part.peak * math.cos(phase)) * power.imag
        total += (part.peak * math.sin(phase)) * power.real
    return total


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
