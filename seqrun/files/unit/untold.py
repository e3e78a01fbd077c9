"""What a unit sheet may say in words where a figure belongs: that nobody knows it, or that no lead
gets there."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, WithJsonSchema

from seqrun.quantity import QuantityError, custom_error, example, kind, parse

Untold = Literal["not accessible", "unknown"]
UNTOLD: tuple[Untold, ...] = ("not accessible", "unknown")


def _figure_or_untold(value: Any, *, unit: str) -> Any:
    """A quantity above zero, or in words that it cannot be had."""
    if value in UNTOLD:
        return value
    wanted = f'{kind(unit)}, {example(unit)}, "not accessible" or "unknown"'
    try:
        found = parse(value, unit) if isinstance(value, str) else None
    except QuantityError as problem:
        raise custom_error(problem.found, wanted) from problem
    if found is None or not found > 0.0:
        raise custom_error(f"{value!r} is no such quantity", f"{wanted}; above 0")
    return found


def _count_or_untold(value: Any) -> Any:
    if value in UNTOLD or (type(value) is int and 1 <= value <= 16):
        return value
    raise custom_error(f"{value!r}", 'a whole number from 1 to 16, "not accessible" or "unknown"')


_WORDS = {"enum": list(UNTOLD)}
_COUNT = {"anyOf": [{"type": "integer", "minimum": 1, "maximum": 16}, _WORDS]}
_FIGURE = WithJsonSchema({"type": "string"})
OhmsOrUntold = Annotated[
    float | Untold, BeforeValidator(partial(_figure_or_untold, unit="Ω")), _FIGURE
]
AmperesOrUntold = Annotated[
    float | Untold, BeforeValidator(partial(_figure_or_untold, unit="A")), _FIGURE
]
CountOrUntold = Annotated[int | Untold, BeforeValidator(_count_or_untold), WithJsonSchema(_COUNT)]
