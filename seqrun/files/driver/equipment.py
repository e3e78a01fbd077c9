"""What an instrument has, role by role: the tables [supply], [meter], [generator], [scope]."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from seqrun.files.common import Strict
from seqrun.quantity import Amperes, Fraction, Hertz, Ohms, Seconds, Volts
from seqrun.values import SCPI_INFINITY

Positive = Annotated[float, Field(gt=0)]
Absent = Literal[
    "over_voltage_protection", "over_current_protection", "protection_tripped",
    "constant_current", "enabled",
]  # fmt: skip


class SupplySettings(Strict):
    """A supply: its outputs, what they give, and what it does not have."""

    outputs: int = Field(ge=1, le=64)
    volts: tuple[Volts, ...] = Field(default=(), description="highest of each output")
    amperes: tuple[Amperes, ...] = Field(default=(), description="highest of each output")
    absent: frozenset[Absent] = Field(
        default=frozenset(), description="what it does not have, or cannot tell"
    )
    over_current: Literal["level", "at the limit"] = Field(
        default="level",
        description="its over-current protection: with a level of its own, or a switch that makes "
        "the current limit switch off",
    )


class GeneratorSettings(Strict):
    """A generator: its outputs, and what its levels are meant for."""

    outputs: int = Field(ge=1, le=64)
    levels_into: Literal["open circuit", "50 Ω"] = Field(
        default="open circuit", description="the load that its levels are meant for"
    )
    impedance: Ohms = Field(default=50.0, gt=0, description="of its source")
    most_level: Volts | None = Field(default=None, gt=0, description="V rms, open circuit")
    least_level: Volts | None = Field(
        default=None, gt=0, description="the smallest sine that it gives, V rms, open circuit"
    )
    most_frequency: Hertz | None = Field(default=None, gt=0)
    distortion: Fraction | None = Field(
        None, gt=0, lt=1, description="harmonics over its sine, from the data sheet"
    )
    noise: Volts | None = Field(
        None, gt=0, description="with its output on, 22 Hz to 22 kHz, V rms at most"
    )


class MeterSettings(Strict):
    """A meter."""

    nplc: tuple[Positive, ...] = Field(
        default=(), description="integration times that it has, in line cycles; without: any"
    )
    overload: float = Field(
        default=SCPI_INFINITY, gt=0, description="what it answers when the range is too small"
    )
    seconds_per_cycle: Seconds = Field(
        default=0.05,
        gt=0,
        description="longest time of a reading per line cycle, auto-zero included",
    )
    lead_resistance: Ohms = Field(
        default=0.0, ge=0, description="two-wire ohms: leads and contacts, not nulled; half-width"
    )


class DescriptorField(Strict):
    """Where a field stands in a binary descriptor."""

    at: int = Field(ge=0, le=100_000, description="bytes from the beginning of the block")
    kind: Literal[
        "float32", "float64", "int8", "int16", "int32", "uint8", "uint16", "uint32"
    ] = Field(alias="as")  # fmt: skip
    scale: float = 1.0


class ScopeSettings(Strict):
    """A scope."""

    channels: int = Field(ge=1, le=64)
    bits: int = Field(ge=6, le=24, description="of the converter")
    distortion: Fraction | None = Field(
        None, gt=0, lt=1, description="harmonics over a full-scale sine, from the data sheet"
    )
    noise: Volts | None = Field(
        None, gt=0, description="of its own, 22 Hz to 22 kHz, at its own input, V rms at most"
    )
    isolated: bool = Field(
        default=False, description="of a sound interface: inputs differential or isolated"
    )
    max_points: int = Field(ge=100, description="longest record")
    memory: Literal["per channel", "shared"] = Field(
        default="per channel", description="shared: divided among the channels that are on"
    )
    records: tuple[Annotated[int, Field(ge=1)], ...] = Field(
        default=(), description="record lengths, when they are a fixed set; without: any"
    )
    piece: int | None = Field(default=None, ge=1, description="most points in one read-out")
    divisions: int = Field(default=8, ge=1, le=20, description="vertical")
    time_divisions: int = Field(default=10, ge=1, le=50)
    ranges: tuple[Volts, ...] = Field(
        min_length=1, description="full scales, peak to peak, at the scope's own input"
    )
    vernier: bool = Field(
        default=False, description="full scale may be set to anything between ranges"
    )
    headroom: Fraction = Field(default=0.05, ge=0, lt=1, description="kept free above the peak")
    rate_steps: tuple[Positive, ...] = Field(
        default=(), description="steps of a decade, such as [1, 2, 5]"
    )
    max_rate: Hertz = Field(default=1e9, gt=0)
    sets: Literal["rate", "time per division"] = "rate"
    time_steps: tuple[Positive, ...] = Field(
        default=(), description="seconds per division of a decade; the rate follows"
    )
    preamble: tuple[str, ...] = Field(default=(), description="what its fields are, in order")
    preamble_separator: str = Field(default="", description='"," in order, ";" when keyed')
    keys: dict[str, str] = Field(default={}, description="what the instrument calls a field")
    descriptor: dict[str, DescriptorField] = Field(
        default={}, description="where a field stands in a binary descriptor"
    )
    codes_per_division: float | None = Field(default=None, gt=0)
    yorigin_in: Literal["volts", "codes"] = "volts"
    xorigin_of: Literal["first sample", "middle"] = Field(
        default="first sample", description="what the preamble's xorigin is the time of"
    )
    sample: Literal["uint8", "int8", "uint16", "int16", "float32", "ascii"] = Field(
        default="uint16", description="of the waveform; float32 is volts, ascii by ascii_in"
    )
    ascii_in: Literal["volts", "codes"] = "volts"
    byte_order: Literal["little", "big"] = "little"
    lowest: int = Field(
        default=0, description="code at and below which the converter is out of range"
    )
    highest: int = Field(default=65535, description="code at and above which it is")
    code_bits: int = Field(
        default=16, ge=6, le=24, description="bits that full scale is spread over"
    )

    @property
    def in_volts(self) -> bool:
        """Whether samples come as volts, and not as codes of the converter."""
        return self.sample == "float32" or (self.sample == "ascii" and self.ascii_in == "volts")
