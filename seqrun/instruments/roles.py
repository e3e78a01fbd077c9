"""What each role must answer: the operations that steps use, with units and behaviour, once.

Every operation blocks until the instrument has taken it (``*OPC?`` or its answer) and its error
queue is empty, and raises :class:`~seqrun.errors.InstrumentSilent` when nothing comes back in
time, :class:`~seqrun.errors.InstrumentRefused` when the error queue holds something. Values are
in base units (V, A, Ω, Hz, s). ``name`` is the instrument's key in the bench file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

MeterFunction = Literal[
    "dc_voltage", "ac_voltage", "dc_current", "resistance_2w", "resistance_4w",
    "temperature_pt100", "temperature_pt1000", "temperature_k", "temperature_j",
    "temperature_thermistor",
]  # fmt: skip


class Clock(Protocol):
    """Bench time. On a real bench wall time; on a simulated one the world's virtual time."""

    @property
    def virtual(self) -> bool:
        """True when waiting costs no wall time."""
        ...

    def now(self) -> float:
        """Seconds since the bench was opened, monotonic."""
        ...

    def wait(self, seconds: float) -> float:
        """Let bench time pass, and tell the time then. Only the runner's polling loop and the
        safe state call this, never a step."""
        ...


@runtime_checkable
class Instrument(Protocol):
    """What every role can do."""

    name: str

    @property
    def identity(self) -> str:
        """The answer to ``*IDN?`` as it was read when the bench was opened."""
        ...

    @property
    def by_hand(self) -> bool:
        """Whether a hand sets it and an eye reads it: nothing is sent to it, nothing read back."""
        ...

    def make_safe(self) -> None:
        """Outputs off, as fast as the link allows; must work from any state."""
        ...


@dataclass(frozen=True, slots=True)
class Protection:
    """What switches a supply's output off by itself, in microseconds.

    ``over_current`` "at the limit": it acts where the current limit would hold, and has no level
    of its own.
    """

    over_voltage: Literal["level", "none"]
    over_current: Literal["level", "at the limit", "none"]


@runtime_checkable
class Supply(Instrument, Protocol):
    """A bench supply. Outputs count from 1; a negative rail is an output wired the other way up,
    so set and measured values are positive.

    What a supply does not have its driver file says (:meth:`has`); asking for it raises
    :class:`~seqrun.errors.NotMeasured`, never a guess.
    """

    @property
    def outputs(self) -> int: ...

    def has(self, what: str) -> bool:
        """Whether it has ``over_voltage_protection``, ``over_current_protection``, and whether it
        can tell ``protection_tripped``, ``constant_current``, ``enabled``."""
        ...

    def protection(self, output: int) -> Protection:
        """What switches an output off by itself."""
        ...

    def set_voltage(self, output: int, volts: float) -> None: ...

    def set_current_limit(self, output: int, amperes: float) -> None: ...

    def set_over_voltage_protection(self, output: int, volts: float) -> None: ...

    def over_voltage_protection(self, output: int) -> float:
        """The protection level read back from the instrument, volts."""
        ...

    def set_over_current_protection(self, output: int, amperes: float) -> None: ...

    def over_current_protection(self, output: int) -> float:
        """The protection level read back from the instrument, amperes."""
        ...

    def over_current_on(self, output: int) -> bool:
        """Whether a protection that acts at the current limit is on, read back."""
        ...

    def enable(self, on: bool) -> None:
        """All outputs that were set up on together, or all off."""
        ...

    def enabled(self, output: int | None = None) -> bool:
        """Whether an output is on; without one, whether any is, each of them asked."""
        ...

    def voltage(self, output: int) -> UFloat:
        """Read-back voltage at the terminals with its accuracy, volts."""
        ...

    def current(self, output: int, repeats: int = 1) -> UFloat:
        """Read-back current with its accuracy and the scatter of the repeats, amperes."""
        ...

    def current_raw(self, output: int) -> float:
        """Read-back current for trips: one query, no budget, amperes."""
        ...

    def protection_tripped(self, output: int) -> bool: ...

    def constant_current(self, output: int) -> bool:
        """True while the output is held by its current limit."""
        ...


@runtime_checkable
class Meter(Instrument, Protocol):
    """A digital multimeter with one input. Configure once, then read as often as needed."""

    def configure(
        self, function: MeterFunction, value: float | None = None, nplc: float = 10.0
    ) -> None:
        """Choose function, the range that holds ``value`` (None: auto) and integration time in
        line cycles."""
        ...

    def read_raw(self) -> float:
        """One reading, base unit, no budget. Overload raises NotMeasured."""
        ...

    def read(self, repeats: int = 1) -> UFloat:
        """Mean of the repeats with accuracy table and scatter (Type A) combined."""
        ...

    def accuracy(self, reading: float) -> UFloat:
        """The reading with the accuracy table of the present function and range attached, no
        scatter: for callers that made their own statistics from :meth:`read_raw`."""
        ...


@dataclass(frozen=True, slots=True)
class Capture:
    """One acquisition: all channels share the time axis ``t0_s + n*dt_s``.

    ``volts[ch]`` is at the probe tip (probe factor applied), shape (points,), float64.
    ``lsb_v`` is the converter step at the probe tip; ``clipped[ch]`` tells whether the converter
    ran out of range; ``gain[ch]`` and ``offset_v[ch]`` are variables of mean 1 and 0 carrying the
    accuracy table's uncertainty, common to all captures on the same range of the same channel.
    ``constant[ch]`` tells that every sample is the same code: of a channel that is driven, that is
    no measurement.
    """

    t0_s: float
    dt_s: float
    volts: dict[int, NDArray[np.float64]]
    lsb_v: dict[int, float]
    clipped: dict[int, bool]
    gain: dict[int, UFloat]
    offset_v: dict[int, UFloat]
    constant: dict[int, bool] = field(default_factory=dict)


@runtime_checkable
class Scope(Instrument, Protocol):
    """A digital oscilloscope. Channels count from 1; all clips are common and earthed."""

    @property
    def channels(self) -> int: ...

    @property
    def bits(self) -> int: ...

    @property
    def max_points(self) -> int: ...

    def sample_rate_near(self, wanted_hz: float) -> float:
        """The rate that :meth:`acquire` would take for a wanted one, Hz."""
        ...

    def acquire(
        self,
        peak_v: dict[int, float],
        *,
        sample_rate_hz: float,
        points: int,
        coupling: Literal["DC", "AC"] = "DC",
        trigger: int | None = None,
        averages: int = 1,
        high_resolution: bool = False,
        time_out_s: float = 10.0,
    ) -> Capture:
        """Acquire the channels named in ``peak_v`` (largest |volts| expected at the probe tip, so
        the vertical range is the smallest that holds it), as near the wanted rate as the
        instrument goes (``dt_s`` tells), free-running unless ``trigger`` names a channel."""
        ...


@runtime_checkable
class Generator(Instrument, Protocol):
    """A function generator. Outputs count from 1; amplitudes are V rms into a high-impedance
    input (the input of an amplifier)."""

    @property
    def outputs(self) -> int: ...

    def sine(self, output: int, frequency_hz: float, volts_rms: float) -> None:
        """Set a sine without switching the output on or off."""
        ...

    def two_tone(
        self, output: int, f1_hz: float, v1_rms: float, f2_hz: float, v2_rms: float
    ) -> None: ...

    def square(self, output: int, frequency_hz: float, volts_rms: float) -> None: ...

    def burst(
        self, output: int, frequency_hz: float, volts_rms: float, cycles: int, period_s: float
    ) -> None: ...

    def enable(self, output: int, on: bool) -> None: ...

    def enabled(self, output: int | None = None) -> bool:
        """Whether an output is on; without one, whether any is, each of them asked. NotMeasured
        from a generator that does not tell."""
        ...

    def amplitude(self, output: int) -> UFloat:
        """The set amplitude with the generator's level accuracy, V rms."""
        ...


@runtime_checkable
class Thermometer(Instrument, Protocol):
    """A thermometer that is held to a place."""

    def read(self, place: str, words: str) -> UFloat:
        """The temperature of a place that ``words`` describe, °C, with its accuracy."""
        ...


@runtime_checkable
class Switch(Instrument, Protocol):
    """A relay matrix that moves hookups without hands."""

    def connect(self, terminal: str, point: str) -> None: ...

    def disconnect(self, terminal: str) -> None: ...
