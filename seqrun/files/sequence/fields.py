"""What every kind of step has in common: limits, settling, repetition."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    BeforeValidator,
    Field,
    PrivateAttr,
    StringConstraints,
    WithJsonSchema,
    model_validator,
)

from seqrun.errors import FileError
from seqrun.files.common import Strict
from seqrun.files.expression import Expression
from seqrun.files.sequence.condition import OnlyIf
from seqrun.files.unit.features import FEATURES
from seqrun.quantity import Quantity, Seconds, custom_error
from seqrun.values import Limit

#: where a limit comes from; the unit sheet stands for what its maker rates it at
Origin = Literal["sheet", "standard", "common practice", "our own choice"]


class LimitSpec(Strict):
    """A limit as written; its unit is that of the reading. ``origin`` is None where the file does
    not say where it comes from."""

    at_least: Expression | None = None
    at_most: Expression | None = None
    between: Annotated[tuple[Expression, ...], Field(min_length=2, max_length=2)] | None = None
    origin: Origin | None = Field(
        None, alias="from", description="where it comes from; why says more"
    )

    @model_validator(mode="after")
    def _one_way(self) -> LimitSpec:
        if self.between is not None and (self.at_least or self.at_most):
            raise custom_error("between together with at_least or at_most", "one or the other")
        if self.between is None and self.at_least is None and self.at_most is None:
            raise custom_error("an empty limit", "at_least, at_most or between")
        low, high = self.sides
        if low is not None and high is not None and low.constant and high.constant:
            if low.constant.unit != high.constant.unit:
                raise custom_error(f"from {low} to {high}", "two quantities of the same kind")
            if low.constant.value > high.constant.value:
                raise custom_error(f"from {low} to {high}", "the lower limit first")
        return self

    @property
    def sides(self) -> tuple[Expression | None, Expression | None]:
        """Lower and upper limit."""
        if self.between is not None:
            return self.between[0], self.between[1]
        return self.at_least, self.at_most

    def expressions(self) -> tuple[Expression, ...]:
        return tuple(side for side in self.sides if side is not None)

    def names(self) -> frozenset[str]:
        """Names of the unit sheet and ids of steps that it needs."""
        return frozenset().union(*(side.names() for side in self.expressions()))

    def check(self, unit: str, units: Mapping[str, str]) -> None:
        """See that it is of the unit's kind, before values exist.

        Raises:
            FileError: unknown name, or of another kind.
        """
        for side in self.expressions():
            side.check(unit, units)

    def resolve(self, unit: str, names: Mapping[str, Quantity]) -> Limit:
        """The limit in the reading's unit.

        Raises:
            FileError: unknown name, another kind, or the lower limit above the upper.
        """
        low, high = (None if s is None else s.evaluate_in(unit, names) for s in self.sides)
        if low is not None and high is not None and low > high:
            raise FileError(
                f"the limit comes to {Quantity(low, unit)} … {Quantity(high, unit)}",
                expected="a lower limit that is not above the upper",
            )
        return Limit(low, high)


class Settle(Strict):
    """When a reading has settled: within a band, for a time, at most so long."""

    within: Expression = Field(description='a band in the unit of the reading, such as "2 mV"')
    hold: Seconds = Field(alias="for", gt=0, description='how long it must keep, such as "3 s"')
    at_most: Seconds = Field(gt=0, description='when to give up, such as "60 s"')

    @model_validator(mode="after")
    def _possible(self) -> Settle:
        if self.hold > self.at_most:
            raise custom_error("for is longer than at_most", "for within at_most")
        return self


def _listed(value: Any) -> Any:
    return [value] if isinstance(value, str | dict | OnlyIf) else value


_ONE = {
    "anyOf": [
        {"enum": ["channel", "half", "device", "side", "input", "rail", "ballast", "bank"]},
        {"type": "object", "additionalProperties": {"type": "array"}, "minProperties": 1},
    ]
}
_EACH = {"anyOf": [*_ONE["anyOf"], {"type": "array", "items": _ONE}]}
Feature = Annotated[str, WithJsonSchema({"enum": list(FEATURES)})]
_STATE = {"type": "string", "pattern": " (passed|failed|measured|not measured)$"}
_CONDITIONS = {"anyOf": [_STATE, {"type": "array", "items": _STATE}]}

_IDS = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}

Each = str | dict[str, tuple[str, ...]]
Makes = Literal["one", "channel", "rail", "several"]


class StepFields(Strict):
    """The fields that every kind of step has. Kinds derive from it and add their own."""

    #: unit of the reading that the limit and the settling band are about
    unit: ClassVar[str] = ""
    #: fields that name a point of the unit
    point_fields: ClassVar[tuple[str, ...]] = ("at",)
    #: fields that name an earlier step by its id, or several by the beginning of their ids
    id_fields: ClassVar[tuple[str, ...]] = ("of", "against")
    #: the readings that it makes for its limit: one; one for each channel (that of the repetition,
    #: or all) or rail of the unit; several, when the files do not tell how many
    makes: ClassVar[Makes] = "one"
    #: what the limit is about, in words; "" when the kind judges nothing
    limit_words: ClassVar[str] = "its reading"

    id: Annotated[str, StringConstraints(min_length=1, max_length=100)] = Field(
        description='a name for the step, such as "offset.{channel}"'
    )
    do: str = Field(description="the kind of step")
    each: Annotated[tuple[Each, ...], BeforeValidator(_listed), WithJsonSchema(_EACH)] = Field(
        (),
        description="repeat over: channel, half, device, side, input, rail, ballast, bank, "
        "{ name = [...] }",
    )
    if_unit_has: Feature = Field("", description="leave the step out for a unit without it")
    only_if: Annotated[
        tuple[OnlyIf, ...], BeforeValidator(_listed), WithJsonSchema(_CONDITIONS)
    ] = Field((), description='what an earlier step must have come to, as "offset.left passed"')
    stands_in_for: Annotated[tuple[str, ...], BeforeValidator(_listed), WithJsonSchema(_IDS)] = (
        Field(
            (),
            description="ids of steps, or beginnings of ids, that a pass here stands in for "
            "where the unit gives no access to what they read",
        )
    )
    why: str = Field("", description="why the step is there, for people")
    limit: LimitSpec | None = None
    settle: Settle | None = None

    _bindings: dict[str, str] = PrivateAttr(default_factory=dict)
    _number: int = PrivateAttr(default=0)

    @property
    def bindings(self) -> Mapping[str, str]:
        """What ``each`` came to for this repetition: ``{"channel": "left"}``."""
        return self._bindings

    @property
    def number(self) -> int:
        """Which ``[[step]]`` of the file it comes from, counted from 1."""
        return self._number

    def texts(self, keys: Iterable[str]) -> list[tuple[str, str]]:
        """Key and text of those of these fields that the kind has: ids of steps, points, one or
        several in each."""
        found: list[tuple[str, str]] = []
        for key in keys:
            if key in type(self).model_fields:
                value = getattr(self, key)
                items = value if isinstance(value, tuple | list) else [value]
                found += [(key, item) for item in items if isinstance(item, str)]
        return found

    def expressions(self) -> list[tuple[str, Expression]]:
        """Every expression among its fields, with the key it stands at, limit included."""
        found: list[tuple[str, Expression]] = []
        for name in type(self).model_fields:
            _collect(name, getattr(self, name), found)
        return found


def _collect(key: str, value: Any, found: list[tuple[str, Expression]]) -> None:
    if value is None or isinstance(value, str | float | int):
        return  # as nearly all are
    if isinstance(value, Expression):
        found.append((key, value))
    elif isinstance(value, Strict):
        for name in type(value).model_fields:
            _collect(f"{key}.{name}", getattr(value, name), found)
    elif isinstance(value, tuple | list):
        for item in value:
            _collect(key, item, found)
    elif isinstance(value, dict):
        for name, item in value.items():
            _collect(f"{key}.{name}", item, found)
