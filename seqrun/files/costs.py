"""The cost sheet: what work, parts and the unit itself are worth, for repair or salvage.

All amounts are in one ``currency``. An amount, or a number of hours, that is not known exactly is
given by what it lies between: ``[20, 60]`` is anywhere from 20 to 60, ``[20, 30, 60]`` most likely
30. The mean and the spread follow from that (rectangular and triangular distribution, JCGM
100:2008, 4.3.7 and 4.3.9)::

    currency = "EUR"
    hourly_rate = 45
    value_working = [150, 220]      # what the unit is worth once it works
    value_as_parts = 25             # what can be sold of it whatever is wrong
    value_of_case = 15
    hours_to_strip = 1              # taking out what is to be kept
    hours_to_find = [0.3, 1.5]      # from the findings to the part that is at fault

    [repair.any]                    # a cause that has no entry of its own
    hours = [1, 3]
    parts = [5, 30]
    success = 0.85                  # how often such a repair holds

    [repair.bias_high]              # by the cause's id, without channel
    hours = [0.3, 1]
    parts = 0
    success = 0.95

    [keep]                          # what a section that measured good is worth taken out,
    output_stage = [15, 30]         # by the section's id, without channel
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from seqrun.files.common import FileModel, Strict, load_text, read_text
from seqrun.files.shipped import find
from seqrun.quantity import custom_error

_LARGEST = 1e9


class Amount(Strict):
    """An amount of money or of hours: between ``low`` and ``high``, most likely ``likely`` (None:
    anywhere between)."""

    low: float
    likely: float | None
    high: float

    @property
    def mean(self) -> float:
        """Its expected value."""
        if self.likely is None:
            return (self.low + self.high) / 2.0
        return (self.low + self.likely + self.high) / 3.0

    @property
    def variance(self) -> float:
        """Square of its standard uncertainty."""
        a, b = self.low, self.high
        if self.likely is None:
            return (b - a) ** 2 / 12.0
        c = self.likely
        return (a * a + b * b + c * c - a * b - a * c - b * c) / 18.0

    @property
    def u(self) -> float:
        """Its standard uncertainty."""
        return math.sqrt(self.variance)

    @property
    def second_moment(self) -> float:
        """Expected value of its square."""
        return self.variance + self.mean**2


def amount(value: Any) -> Amount:
    """An amount as written: a number, [low, high] or [low, likely, high].

    Raises:
        PydanticCustomError: for a validator; found and expected in words.
    """
    if isinstance(value, Amount):
        return value
    numbers = value if isinstance(value, list | tuple) else [value]
    wanted = "a number, [low, high] or [low, likely, high], none negative, the lowest first"
    for number in numbers:
        plain = isinstance(number, int | float) and not isinstance(number, bool)
        if not plain or not 0.0 <= number <= _LARGEST:
            raise custom_error(f"{number!r}", wanted)
    if len(numbers) not in (1, 2, 3) or list(numbers) != sorted(numbers):
        raise custom_error(f"{value!r}", wanted)
    low, high = float(numbers[0]), float(numbers[-1])
    return Amount(low=low, likely=float(numbers[1]) if len(numbers) == 3 else None, high=high)


_NUMBER = {"type": "number", "minimum": 0}
Money = Annotated[
    Amount,
    BeforeValidator(amount),
    WithJsonSchema(
        {"anyOf": [_NUMBER, {"type": "array", "items": _NUMBER, "minItems": 2, "maxItems": 3}]}
    ),
]
Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,63}$")]
NOTHING = Amount(low=0.0, likely=None, high=0.0)
ANY = "any"


class Repair(Strict):
    """What mending one cause takes."""

    hours: Money = Field(description="of work, once the cause is known, such as [0.5, 2]")
    parts: Money = Field(NOTHING, description="price of the parts")
    success: float = Field(0.9, gt=0.0, le=1.0, description="how often such a repair holds")


class CostSheet(FileModel):
    """A cost sheet, as its file says."""

    currency: Annotated[str, StringConstraints(min_length=1, max_length=8)] = Field(
        description='such as "EUR"'
    )
    hourly_rate: Money = Field(description="of an hour of work")
    value_working: Money = Field(description="what the unit is worth once it works")
    value_as_parts: Money = Field(NOTHING, description="what can be sold of it in any case")
    value_of_case: Money = Field(NOTHING, description="case, knobs, transformer and the like")
    hours_to_strip: Money = Field(NOTHING, description="taking out what is to be kept")
    hours_to_find: Money = Field(NOTHING, description="from the findings to the part at fault")
    repair: dict[Name, Repair] = Field(
        description='by cause, without its channel; "any" for those without an entry'
    )
    keep: dict[Name, Money] = Field(
        {}, description="what a section that measured good is worth, without its channel"
    )

    def repair_of(self, cause: str) -> Repair | None:
        """What mending a cause takes, by its id; None when the sheet does not say."""
        return self.repair.get(cause.split(".")[0]) or self.repair.get(ANY)

    def kept(self, section: str) -> Amount | None:
        """What a section is worth taken out, by its id; None when the sheet does not say."""
        return self.keep.get(section.split(".")[0])

    @classmethod
    def from_text(cls, text: str, path: str | Path = "cost sheet") -> Self:
        """A cost sheet from TOML text in memory.

        Raises:
            FileError: listing everything that is wrong.
        """
        return load_text(cls, text, Path(path))


def load_costs(name: str | Path) -> CostSheet:
    """A cost sheet by path, or the shipped ``example`` by its name.

    Raises:
        FileError: missing, or with something wrong in it.
    """
    path = find("costs", name)
    return CostSheet.from_text(read_text(path), path)


def is_example(sheet: CostSheet) -> bool:
    """Whether its figures are the invented ones that ship, wherever the file lies."""
    shipped = load_costs("example")
    return sheet.model_dump() == shipped.model_dump()
