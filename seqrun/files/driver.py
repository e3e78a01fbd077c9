"""The driver file: the commands of an instrument's operations, its link's manners, its accuracy.

A new instrument is one such file. Which operations a role has stands in ``operations.py``; how
they behave stands in ``seqrun/instruments/roles.py``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BeforeValidator,
    Field,
    GetJsonSchemaHandler,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import CoreSchema

from seqrun.files.common import FileModel, Strict, load, load_text, one_of
from seqrun.files.driver_checks import problems
from seqrun.files.operations import ACCURACY, Role
from seqrun.files.template import Template
from seqrun.quantity import (
    Fraction,
    Hertz,
    Percent,
    QuantityError,
    Seconds,
    Volts,
    custom_error,
    parse,
)

LONGEST_COMMAND = 1000  # characters
_TERMINATORS = ("", "\n", "\r", "\r\n")


def _pattern(value: Any) -> Any:
    if isinstance(value, str):
        try:
            re.compile(value)
        except re.error as problem:
            raise custom_error(f'"{value}": {problem}', "a regular expression") from None
    return value


def _terminator(value: Any) -> Any:
    if isinstance(value, str) and value not in _TERMINATORS:
        raise custom_error(f"{value!r}", r'"\n", "\r\n", "\r" or ""')
    return value


def _ascii(value: Any) -> Any:
    if isinstance(value, str) and not (value.isprintable() and value.isascii()):
        raise custom_error(f"{value!r} cannot be sent", "printable ASCII")
    return value


Sent = Annotated[str, BeforeValidator(_ascii), StringConstraints(max_length=200)]
Positive = Annotated[float, Field(gt=0)]
Pattern = Annotated[str, BeforeValidator(_pattern), StringConstraints(max_length=300)]
Terminator = Annotated[str, BeforeValidator(_terminator)]


class Manners(Strict):
    """How the link to the instrument wants to be used."""

    write_termination: Terminator = "\n"
    read_termination: Terminator = "\n"
    time_out: Seconds = Field(
        default=5.0, gt=0, le=3600, description='for an answer, such as "5 s"'
    )
    pacing: Seconds = Field(default=0.0, ge=0, le=10, description="pause between two messages")
    error_query: Sent = Field(
        default="SYST:ERR?", description="takes one entry from the error queue"
    )
    error_check: Literal["appended", "separate", "none"] = Field(
        default="appended",
        description="the error query as part of each message, as a message of its own, or never",
    )
    no_error: Pattern = Field(
        default=r"^\s*[+-]?0+\s*(,|$)", description="what an empty queue answers"
    )
    baud_rate: int | None = Field(default=None, gt=0, description="of a serial line")


def _as_table(value: Any) -> Any:
    """A command alone, or a list of commands, is short for a table."""
    if isinstance(value, str):
        return {"send": [value]}
    if isinstance(value, list):
        return {"send": value}
    return value


Command = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_COMMAND)]
_TEXTS = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}


class Commands(Strict):
    """The messages of one operation, in order, and how its answer is read.

    The answer is that of the last message that asks. From its text: ``field`` of those between
    ``separator``, then the first group of ``match``, then ``map`` or the number times ``scale``
    plus ``shift``; ``bit`` takes one bit of a whole number.
    """

    send: Annotated[
        tuple[Command, ...],
        BeforeValidator(lambda v: [v] if isinstance(v, str) else v),
        WithJsonSchema(_TEXTS),
    ] = Field(min_length=1, description="one message or several")
    separator: str = Field(",", min_length=1, max_length=8)
    field: int | None = Field(default=None, description="counts from 0; negative from the end")
    match: Pattern = ""
    scale: float = 1.0
    shift: float = 0.0
    map: dict[str, float | bool] = Field(
        default={}, description="words of the instrument and their values"
    )
    bit: int | None = Field(default=None, ge=0, le=31)
    time_out: Seconds | None = Field(default=None, gt=0, le=3600)
    check: bool = Field(default=True, description="look at the error queue afterwards")

    @property
    def templates(self) -> tuple[Template, ...]:
        """The messages, parsed.

        Raises:
            TemplateError: one of them is no template.
        """
        return tuple(Template(text) for text in self.send)


class _Shorthand:
    """In the JSON Schema: a command, a list of commands, or the table."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"anyOf": [*_TEXTS["anyOf"], handler(core_schema)]}


Entry = Annotated[Commands, BeforeValidator(_as_table), _Shorthand()]


class AccuracyRow(Strict):
    """± (% of reading + % of range + offset) of one function on one range, from the data sheet.

    ``range``, ``offset``, ``resolution`` and ``noise`` are written as quantities in the
    function's own unit and held as numbers in it.
    """

    function: str = Field(description='such as "dc_voltage"')
    range: Annotated[float, WithJsonSchema({"type": "string"})] | None = Field(
        default=None, gt=0, description="full scale; without it the row holds for every range"
    )
    of_reading: Percent = Field(default=0.0, ge=0, lt=100)
    of_range: Percent = Field(default=0.0, ge=0, lt=100)
    offset: Annotated[float, WithJsonSchema({"type": "string"})] = Field(default=0.0, ge=0)
    resolution: Annotated[float, WithJsonSchema({"type": "string"})] = Field(
        default=0.0, ge=0, description="smallest step of the display or converter"
    )
    noise: Annotated[float, WithJsonSchema({"type": "string"})] = Field(
        default=0.0, ge=0, description="standard deviation of one reading of a steady input"
    )

    @model_validator(mode="before")
    @classmethod
    def _quantities(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        units = {name: unit for table in ACCURACY.values() for name, unit in table.items()}
        name = data.get("function")
        unit = units.get(name) if isinstance(name, str) else None
        if unit is None:
            if isinstance(name, str):
                raise custom_error(f"unknown function '{name}'", one_of(name, units))
            return data
        read = dict(data)
        for key in ("range", "offset", "resolution", "noise"):
            value = data.get(key)
            if isinstance(value, str):
                try:
                    read[key] = parse(value, unit)
                except QuantityError as problem:
                    raise custom_error(f"{key}: {problem.found}", problem.wanted) from None
            elif value is not None:
                raise custom_error(f"{key}: {value} has no unit", f'a quantity in "{unit}"')
        return read

    @property
    def gain(self) -> float:
        """Half-width of the part that grows with the reading, as a fraction."""
        return self.of_reading / 100.0

    def zero(self, full_scale: float) -> float:
        """Half-width of the part that does not, in the function's unit."""
        return self.of_range / 100.0 * full_scale + self.offset

    def standard_uncertainty(self, value: float, full_scale: float | None = None) -> float:
        """u of one reading (rectangular parts a/√3, JCGM 100:2008, 4.3.7), in the unit."""
        scale = full_scale if full_scale is not None else self.range or abs(value)
        parts = (self.gain * value, self.zero(scale), self.resolution / 2.0)
        return math.hypot(*(part / math.sqrt(3.0) for part in parts), self.noise)


class Outputs(Strict):
    """A supply or generator: how many outputs it has."""

    outputs: int = Field(ge=1, le=64)
    distortion: Fraction | None = Field(
        None, gt=0, lt=1, description="a generator's: harmonics over its sine, from the data sheet"
    )
    noise: Volts | None = Field(
        None, gt=0, description="a generator's with its output on, 22 Hz to 22 kHz, V rms at most"
    )


class MeterSettings(Strict):
    """A meter."""

    nplc: tuple[Positive, ...] = Field(
        default=(), description="integration times that it has, in line cycles; without: any"
    )
    overload: float = Field(
        default=9.9e37, gt=0, description="what it answers when the range is too small"
    )
    seconds_per_cycle: Seconds = Field(
        default=0.05,
        gt=0,
        description="longest time of a reading per line cycle, auto-zero included",
    )


class ScopeSettings(Strict):
    """A scope."""

    channels: int = Field(ge=1, le=64)
    bits: int = Field(ge=6, le=24, description="of the converter")
    distortion: Fraction | None = Field(
        None, gt=0, lt=1, description="harmonics over a full-scale sine, from the data sheet"
    )
    max_points: int = Field(ge=100, description="record length per channel")
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
    preamble: tuple[str, ...] = Field(description="what its fields are, in order")
    preamble_separator: str = ","
    sample: Literal["uint8", "int8", "uint16", "int16"] = "uint16"
    byte_order: Literal["little", "big"] = "little"
    lowest: int = Field(
        default=0, description="code at and below which the converter is out of range"
    )
    highest: int = Field(default=65535, description="code at and above which it is")
    code_bits: int = Field(
        default=16, ge=6, le=24, description="bits that full scale is spread over"
    )


class Driver(FileModel):
    """A driver file."""

    role: Role = Field(description="supply, meter, scope, generator or switch")
    name: Annotated[str, StringConstraints(min_length=1, max_length=80)] = Field(
        description='such as "Bench meter, 6½ digits"'
    )
    idn: Pattern = Field(description="regular expression that the answer to *IDN? must match")
    link: Manners = Field(default_factory=lambda: Manners())
    supply: Outputs | None = None
    generator: Outputs | None = None
    meter: MeterSettings | None = None
    scope: ScopeSettings | None = None
    words: dict[str, dict[str, Sent]] = Field(
        default={}, description="what the instrument calls a value, by placeholder"
    )
    scale: dict[str, Positive] = Field(
        default={}, description="factor on a value before it is sent, by placeholder"
    )
    operation: dict[str, Entry] = Field(description="commands, by operation")
    accuracy: tuple[AccuracyRow, ...] = ()

    @property
    def outputs(self) -> int:
        """Outputs of a supply or generator; 0 for other roles."""
        return self.supply.outputs if self.supply else (
            self.generator.outputs if self.generator else 0
        )  # fmt: skip

    @property
    def channels(self) -> int:
        """Channels of a scope; 0 for other roles."""
        return self.scope.channels if self.scope else 0

    @cached_property
    def rows(self) -> Mapping[str, tuple[AccuracyRow, ...]]:
        """Accuracy rows by function, smallest range first."""
        found: dict[str, list[AccuracyRow]] = {}
        for row in self.accuracy:
            found.setdefault(row.function, []).append(row)
        return {
            name: tuple(sorted(rows, key=lambda row: row.range or math.inf))
            for name, rows in found.items()
        }

    def row(self, function: str, value: float = 0.0) -> AccuracyRow:
        """The row of the smallest range that holds ``value``; the largest when none does.

        Raises:
            KeyError: the driver states no accuracy for the function.
        """
        rows = self.rows[function]
        return next((r for r in rows if r.range is None or abs(value) <= r.range), rows[-1])

    @classmethod
    def from_text(cls, text: str, path: str | Path = "driver file") -> Self:
        """A driver from TOML text in memory."""
        return load_text(cls, text, Path(path), problems)


def load_driver(path: str | Path) -> Driver:
    """A driver file by path.

    Raises:
        FileError: missing, or with something wrong in it.
    """
    return load(Driver, Path(path), problems)
