"""What comes in at an input, as one period of a table, and what a linear path makes of it.

Every drive is made periodic: a sine and its harmonics have the period of the sine, two tones the
period that they share. Where tones share none within reason they are moved to the nearest
frequencies that do (a table of 2^18 points bounds what is within reason).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.spec import LEVEL, Resonance
from demo_sim.ports import Drive, Tone

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Array = TypeVar("Array", NDArray[np.float64], NDArray[np.complex128])

FEWEST_POINTS = 2048  # straight lines between them leave 2.4 ppm of a sine, above 1000 times it
POINTS_PER_CYCLE = 24  # of the highest tone
MOST_HARMONIC = 8192
SAME_FREQUENCY = 1e-9
MOST_TURNS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Period:
    """The time base of a table: its frequency, where phase is zero, its length.

    ``on_s`` of every ``every_s`` the signal is there (a burst); 0 and 0 when it is steady.
    """

    frequency_hz: float
    start_s: float
    points: int
    on_s: float = 0.0
    every_s: float = 0.0

    @property
    def duty(self) -> float:
        return min(1.0, self.on_s / self.every_s) if self.every_s else 1.0

    def frequencies(self) -> Floats:
        """Of the bins of a real FFT over the table, Hz."""
        return _bins(self.frequency_hz, self.points)

    def response(
        self, low_cut_hz: float, pole_hz: float, resonance: Resonance = LEVEL
    ) -> Complexes:
        """``path_response`` at the table's frequencies."""
        return _response(self.frequency_hz, self.points, low_cut_hz, pole_hz, resonance)

    def evaluate(self, table: Floats, t: Floats) -> Floats:
        """The table's value at times ``t``, linear between points."""
        phase = t - self.start_s
        gate = np.mod(phase, self.every_s) < self.on_s if self.every_s else None
        phase *= self.frequency_hz
        phase -= np.floor(phase)
        phase *= self.points
        index = phase.astype(np.int32)
        np.subtract(phase, index, out=phase)
        closed = np.append(table, table[:1])
        slope = np.diff(closed, append=closed[-1:])
        # A phase just below one may round up to the full number of points: closed[] has it.
        phase *= slope[index]
        phase += closed[index]
        return phase if gate is None else phase * gate

    def mean(self, table: Floats, start_s: float, seconds: float) -> float:
        """Exact mean of the (steady) table over a stretch of time."""
        if self.every_s:
            times = start_s + np.linspace(0.0, seconds, 20_001)[1:] - 0.5 * seconds / 20_000
            return float(self.evaluate(table, times).mean())
        ends = []
        whole = float(table.sum())
        for t in (start_s, start_s + seconds):
            phase = (t - self.start_s) * self.frequency_hz
            cycles = math.floor(phase)
            place = (phase - cycles) * self.points
            point = min(int(place), self.points - 1)
            share = place - point
            one, other = float(table[point]), float(table[(point + 1) % self.points])
            # Trapezia up to that point, and the part of one beyond it.
            within = float(table[:point].sum()) + 0.5 * (one - float(table[0]))
            within += share * (one + 0.5 * share * (other - one))
            ends.append(cycles * whole + within)
        return (ends[1] - ends[0]) / (self.points * seconds * self.frequency_hz)


@dataclass(frozen=True, slots=True, eq=False)
class InputSignal:
    """Volts at an input node: DC, and a table over a period (None when there is no tone)."""

    dc: float = 0.0
    period: Period | None = None
    volts: Floats | None = None
    open: bool = False
    noise: tuple[tuple[str, float], ...] = ()  # (drive's terminal, V rms in 22 Hz … 22 kHz)
    density_v_rt_hz: float = 0.0  # of sections before this node


@lru_cache(maxsize=64)
def _bins(frequency_hz: float, points: int) -> Floats:
    return _kept(np.asarray(np.arange(points // 2 + 1) * frequency_hz, dtype=np.float64))


@lru_cache(maxsize=64)
def _response(
    frequency_hz: float, points: int, low_cut_hz: float, pole_hz: float, resonance: Resonance
) -> Complexes:
    return _kept(path_response(_bins(frequency_hz, points), low_cut_hz, pole_hz, resonance))


def _kept(values: Array) -> Array:
    """An array that several share."""
    values.flags.writeable = False
    return values


def common_period(frequencies: Sequence[float]) -> tuple[float, tuple[int, ...]]:
    """The frequency of the shared period and each tone's harmonic number on it."""
    lowest = min(frequencies)
    best: tuple[float, float] | None = None
    for parts in range(1, 512):
        base = lowest / parts
        ratios = [f / base for f in frequencies]
        if max(ratios) > MOST_HARMONIC:
            break
        worst = max(abs(r - round(r)) / r for r in ratios)
        if best is None or worst < 0.5 * best[0]:
            best = (worst, base)
        if worst < SAME_FREQUENCY:
            break
    if best is None:  # tones further apart than the table reaches
        best = (1.0, max(frequencies) / MOST_HARMONIC)
    base = best[1]
    return base, tuple(max(1, round(f / base)) for f in frequencies)


def at_input(drives: Sequence[tuple[str, Drive]], input_ohm: float) -> InputSignal:
    """All drives on one node, through their source resistances into the input's resistance.

    The same drives give the very same signal: whoever worked something out of it has it still.
    """
    return _mixed(tuple(drives), input_ohm) if drives else InputSignal(open=True)


@lru_cache(maxsize=16)
def _mixed(drives: tuple[tuple[str, Drive], ...], input_ohm: float) -> InputSignal:
    conductances = [1.0 / max(d.source_ohm, 1e-3) for _, d in drives]
    total = sum(conductances) + 1.0 / input_ohm
    dc = 0.0
    noise: list[tuple[str, float]] = []
    tones: list[tuple[Tone, float]] = []
    square: tuple[Tone, float] | None = None
    burst: tuple[float, float] | None = None
    for (terminal, drive), conductance in zip(drives, conductances, strict=True):
        share = conductance / total
        dc += drive.offset_v * share
        if drive.noise_v_rms:
            noise.append((terminal, drive.noise_v_rms * share))
        live = [t for t in drive.tones if t.frequency_hz > 0.0 and t.volts_peak != 0.0]
        if drive.shape == "square" and live:
            square = (live[0], share)
            continue
        tones += [(tone, share) for tone in live]
        if drive.shape == "burst" and live:
            burst = (drive.burst_cycles / live[0].frequency_hz, drive.burst_period_s)
    everything = tones + ([square] if square else [])
    if not everything:
        return InputSignal(dc=dc, noise=tuple(noise))
    base, numbers = common_period([tone.frequency_hz for tone, _ in everything])
    points = FEWEST_POINTS
    while points < POINTS_PER_CYCLE * max(numbers):
        points *= 2
    start = everything[0][0].start_s
    on_s, every_s = burst or (0.0, 0.0)
    period = Period(base, start, points, on_s, every_s)
    phase = 2.0 * np.pi * np.arange(points) / points
    volts = np.zeros(points)
    for (tone, share), number in zip(everything, numbers, strict=True):
        shift = tone.phase_rad - 2.0 * np.pi * tone.frequency_hz * (tone.start_s - start)
        wave = np.sin(number * phase + shift)
        if square is not None and tone is square[0]:
            wave = np.where(wave >= 0.0, 1.0, -1.0)
        volts += tone.volts_peak * share * wave
    return InputSignal(dc, period, volts, False, tuple(noise))


def pass_through(signal: InputSignal, response: Complexes) -> Floats:
    """The table after a linear path; ``response`` at ``signal.period.frequencies()``."""
    assert signal.period is not None
    return np.asarray(np.fft.irfft(spectrum(signal) * response, signal.period.points))


@lru_cache(maxsize=16)
def spectrum(signal: InputSignal) -> Complexes:
    """Of a signal's table, as ``numpy.fft.rfft`` gives it."""
    assert signal.volts is not None
    return _kept(np.fft.rfft(signal.volts))


@lru_cache(maxsize=32)
def through_path(
    signal: InputSignal,
    gain: float,
    low_cut_hz: float,
    pole_hz: float,
    resonance: Resonance = LEVEL,
) -> Floats:
    """The table behind a gain and ``path_response``: several ask for it while a drive lasts."""
    assert signal.period is not None
    response = signal.period.response(low_cut_hz, pole_hz, resonance)
    return _kept(pass_through(signal, gain * response))


def path_response(
    frequencies: Floats, low_cut_hz: float, pole_hz: float, resonance: Resonance = LEVEL
) -> Complexes:
    """One high-pass and one low-pass pole, one in the middle of the band, and what a resonance
    lifts or cuts."""
    s = 1j * frequencies
    response = s / (s + low_cut_hz) / (1.0 + s / pole_hz)
    if resonance.db:
        size = math.pow(10.0, resonance.db / 40.0)
        at, wide = s / resonance.hz, s / (resonance.hz * resonance.q)
        response = response * (at * at + size * wide + 1.0) / (at * at + wide / size + 1.0)
    return np.asarray(response)


def slew_limited(volts: Floats, seconds_per_point: float, volts_per_s: float) -> Floats:
    """A period that changes no faster than the limit, turned until it ends where it began."""
    most = volts_per_s * seconds_per_point
    steps = np.abs(np.diff(volts, append=volts[:1]))
    if float(steps.max()) <= most:
        return volts
    wanted = volts.tolist()
    close = 1e-4 * float(np.abs(volts).max())
    level = wanted[0]
    for _ in range(MOST_TURNS):
        began, out = level, []
        for value in wanted:
            level += min(max(value - level, -most), most)
            out.append(level)
        if abs(level - began) < close:
            break
    return np.array(out)
