"""The driver file: the commands of an instrument's operations, its link's manners, its accuracy.

A new instrument is one such file. Which operations a role has stands in ``operations.py``; how
they behave stands in ``seqrun/instruments/roles.py``; every key is told in ``drivers/README.md``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from seqrun.files.common import FileModel
from seqrun.files.driver.commands import Commands, Entry, Positive
from seqrun.files.driver.equipment import (
    GeneratorSettings,
    MeterSettings,
    ScopeSettings,
    SupplySettings,
)
from seqrun.files.driver.figures import AccuracyRow
from seqrun.files.driver.manners import Document, Identity, Manners, PatternText, Sent
from seqrun.files.driver.operations import Role
from seqrun.quantity import Hertz

__all__ = [
    "AccuracyRow", "Commands", "Driver", "GeneratorSettings", "Manners", "MeterSettings",
    "ScopeSettings", "SupplySettings",
]  # fmt: skip


class Driver(FileModel):
    """A driver file."""

    role: Role = Field(description="supply, meter, scope, generator, switch or thermometer")
    name: Annotated[str, StringConstraints(min_length=1, max_length=80)] = Field(
        description='such as "Bench meter, 6½ digits"'
    )
    remote: bool = Field(
        default=True, description="false: no remote interface; the operator sets it and reads it"
    )
    sound: Hertz | None = Field(
        default=None,
        gt=0,
        description="sample rate of a computer's sound interface, which is reached at its stream",
    )
    idn: PatternText = Field(
        default="", description="regular expression that the identity must match"
    )
    accuracy_of: Literal["simulated bench"] | None = Field(
        default=None, description="the figures are those of the simulated bench, of no instrument"
    )
    manual: Document | None = Field(default=None, description="where the commands come from")
    data_sheet: Document | None = Field(default=None, description="where the accuracy comes from")
    identity: Identity = Field(default_factory=lambda: Identity())
    link: Manners = Field(default_factory=lambda: Manners())
    supply: SupplySettings | None = None
    generator: GeneratorSettings | None = None
    meter: MeterSettings | None = None
    scope: ScopeSettings | None = None
    words: dict[str, dict[str, Sent]] = Field(
        default={}, description="what the instrument calls a value, by placeholder"
    )
    scale: dict[str, Positive] = Field(
        default={}, description="factor on a value before it is sent, by placeholder"
    )
    operation: dict[str, Entry] = Field(default={}, description="commands, by operation")
    accuracy: tuple[AccuracyRow, ...] = ()

    @property
    def outputs(self) -> int:
        """Outputs of a supply or generator; 0 for other roles."""
        return self.supply.outputs if self.supply else (
            self.generator.outputs if self.generator else 0
        )  # fmt: skip

    def can(self, operation: str) -> bool:
        """Whether it has an optional operation. One without a remote interface has the functions
        that it states an accuracy for, and a knob for a square wave; no two tones, no bursts."""
        if self.sound is not None:
            return operation == "two_tone"
        if self.remote:
            return operation in self.operation
        return operation == "square" or operation.removeprefix("configure_") in self.rows

    def changed(self, **update: object) -> Driver:
        """The same driver with other figures, as they were found for one instrument."""
        copy = self.model_copy(update=update)
        copy.__dict__.pop("rows", None)  # worked out from the figures before
        return copy

    @property
    def verified(self) -> bool:
        """Whether every figure was read in a data sheet (or belongs to the simulated bench)."""
        if self.accuracy_of is not None or not self.accuracy:
            return True
        read = self.data_sheet is not None and self.data_sheet.status == "read"
        return read and not any(row.unverified for row in self.accuracy)

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
