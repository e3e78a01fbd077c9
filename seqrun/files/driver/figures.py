"""The accuracy table of a driver file: one row for each function and range."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import Field, StringConstraints, WithJsonSchema, model_validator

from seqrun.files.common import Strict, one_of
from seqrun.files.driver.operations import ACCURACY
from seqrun.quantity import Percent, QuantityError, custom_error, parse


def difference_unit(unit: str) -> str:
    """The unit of an error of something in ``unit``: a temperature is off by so many kelvin."""
    return "K" if unit == "°C" else unit


class AccuracyRow(Strict):
    """± (% of reading + % of range + offset) of one function on one range, from the data sheet.

    ``range``, ``offset``, ``resolution`` and ``noise`` are written as quantities in the
    function's own unit (an error of a temperature in K) and held as numbers in it.
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
    condition: Annotated[str, StringConstraints(max_length=200)] = Field(
        default="", description='what the figures hold for, such as "45 Hz to 20 kHz, 1 year"'
    )
    unverified: bool = Field(default=False, description="not read in the data sheet")
    unknown: bool = Field(default=False, description="no figure is known")

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
            wanted = unit if key == "range" else difference_unit(unit)
            if isinstance(value, str):
                try:
                    read[key] = parse(value, wanted)
                except QuantityError as problem:
                    raise custom_error(f"{key}: {problem.found}", problem.wanted) from None
            elif value is not None:
                raise custom_error(f"{key}: {value} has no unit", f'a quantity in "{wanted}"')
        return read

    @model_validator(mode="after")
    def _says_something(self) -> AccuracyRow:
        figures = (self.of_reading, self.of_range, self.offset, self.resolution, self.noise)
        if self.unknown and any(figures):
            raise custom_error("unknown, and figures", "unknown alone, or the figures alone")
        return self

    @property
    def gain(self) -> float:
        """Half-width of the part that grows with the reading, as a fraction."""
        return self.of_reading / 100.0

    def zero(self, full_scale: float) -> float:
        """Half-width of the part that does not, in the function's unit."""
        return self.of_range / 100.0 * full_scale + self.offset

    @property
    def zero_named(self) -> str:
        """What the part that does not grow is called, as the data sheet states it."""
        parts = ("% of range" if self.of_range else "", "offset" if self.offset else "")
        return " and ".join(part for part in parts if part)

    def standard_uncertainty(self, value: float, full_scale: float | None = None) -> float:
        """u of one reading (rectangular parts a/√3, JCGM 100:2008, 4.3.7), in the unit."""
        if self.unknown:
            return math.inf
        scale = full_scale if full_scale is not None else self.range or abs(value)
        parts = (self.gain * value, self.zero(scale), self.resolution / 2.0)
        return math.hypot(*(part / math.sqrt(3.0) for part in parts), self.noise)
