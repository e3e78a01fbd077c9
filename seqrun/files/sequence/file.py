"""The sequence: trips, steps and decision rule of one test.

Which kinds of step there are, and their fields, belongs to a higher floor and is passed in. Every
step has the fields of :class:`StepFields`. Repetition is written with ``each``:

- ``each = "channel"`` repeats a step over the unit sheet's channels; likewise ``half`` (upper,
  lower), ``device`` (1 … output_devices), ``side`` (pos, neg of a bridged output), ``input``,
  ``rail``, ``ballast`` (every ballast resistor; with ``channel`` also named, those of that
  channel) and ``bank`` (the devices in parallel of one half: of one half-bridge where bridged);
- ``each = { level = ["0.1 W", "1 W"] }`` repeats it over the values given, under any name;
- ``each = ["channel", { level = ["0.1 W", "1 W"] }]`` repeats over both, the first slowest.

``{channel}`` and the like are then filled into every text of the step. ``{ballast}`` is such as
``left.upper.1``, ``{bank}`` as ``left.upper``. In an ``id``, values lose their spaces and signs:
``thd.{level}`` becomes ``thd.0.1W``.

A limit is ``{ at_least = X }``, ``{ at_most = X }``, both, or ``{ between = [X, Y] }``, where X is
a quantity or an expression (see :mod:`seqrun.files.expression`).

``if_unit_has = "headphones"`` leaves a step out for a unit without them: see
:mod:`seqrun.files.unit.features` for what may stand there. ``for_units_with``, of the same words,
stands at the head of a sequence that is of no use for any other unit, and ``otherwise`` tells what
is.

``only_if = "<id> passed"`` (or ``failed``, ``measured``, ``not measured``) does a step only when
an earlier one came out so; a list of them must all hold. ``"offset.* failed"`` is about every
step whose id matches: all of them for ``passed`` and ``measured``, any for the other two.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, PrivateAttr, StringConstraints, model_validator

from seqrun.errors import FileError
from seqrun.files.common import (
    FileModel,
    Strict,
)
from seqrun.files.expression import Expression
from seqrun.files.sequence.fields import LimitSpec, Settle, StepFields
from seqrun.files.unit.features import Feature
from seqrun.quantity import Quantity, custom_error
from seqrun.values import Limit

__all__ = [
    "LimitSpec",
    "Sequence",
    "Settle",
    "StepFields",
    "Trip",
]

MOST_STEPS = 1000  # entries of one file
Decision = Literal["guarded", "simple"]
TripQuantity = Literal["supply_current", "sink_temperature", "supply_voltage", "out_dc"]
TRIP_UNITS: dict[str, str] = {
    "supply_current": "A",
    "sink_temperature": "°C",
    "supply_voltage": "V",
    "out_dc": "V",  # without its sign
}
Text = Annotated[str, StringConstraints(min_length=1, max_length=400)]


class Trip(Strict):
    """A protective threshold that ends the run in the safe state."""

    quantity: TripQuantity
    above: Expression | None = None
    below: Expression | None = None
    why: str = Field("", description="what it would mean, for people")

    @model_validator(mode="after")
    def _one_side(self) -> Trip:
        if self.above is None and self.below is None:
            raise custom_error("neither above nor below", "at least one of them")
        return self

    @property
    def unit(self) -> str:
        """Unit of the quantity."""
        return TRIP_UNITS[self.quantity]

    def resolve(self, names: Mapping[str, Quantity]) -> Limit:
        """What the quantity must keep to: ``high`` from above, ``low`` from below.

        Raises:
            FileError: unknown name, another kind, or nothing left between the two.
        """
        low, high = (
            None if s is None else s.evaluate_in(self.unit, names) for s in (self.below, self.above)
        )
        if low is not None and high is not None and low >= high:
            raise FileError(
                f"trips below {Quantity(low, self.unit)} and above {Quantity(high, self.unit)}",
                expected="room between the two",
            )
        return Limit(low, high)


class Sequence(FileModel):
    """A sequence as its file says. ``step`` holds the entries as written; steps are made of them
    in :mod:`seqrun.files.sequence.expand`."""

    title: Text = Field(description='such as "Acceptance after repair"')
    revision: Annotated[str, StringConstraints(min_length=1, max_length=20)] = Field(
        description='such as "A"'
    )
    decision: Decision = "guarded"
    unit: str = Field("", description="unit sheet to use when none is named")
    releases: bool = Field(
        default=False,
        description="true: an accept by this sequence is proof enough to release the unit",
    )
    for_units_with: Feature = Field(
        default="", description="refused for a unit that has none, with what to do instead"
    )
    otherwise: str = Field(
        default="", max_length=400, description="what to do with a unit that has none"
    )
    cautions: tuple[Text, ...] = ()
    no_current_trip: str = Field(
        default="", max_length=400, description="why no [[trip]] on supply_current is needed"
    )
    no_discharge: str = Field(
        default="",
        max_length=400,
        description='why no step with do = "power_down" is needed at the end',
    )
    trip: tuple[Trip, ...] = ()
    step: Annotated[tuple[dict[str, Any], ...], Field(min_length=1, max_length=MOST_STEPS)] = Field(
        description="the steps, each as [[step]]"
    )

    _kinds: Mapping[str, type[StepFields]] = PrivateAttr(default_factory=dict)

    @property
    def kinds(self) -> Mapping[str, type[StepFields]]:
        """The kinds of step that it was read with."""
        return self._kinds

    def read_with(self, kinds: Mapping[str, type[StepFields]]) -> None:
        """Say which kinds of step there are; once, by what loads it."""
        self._kinds = kinds

    @property
    def where(self) -> str:
        """What errors call it."""
        return str(self.path) if self.text else self.title
