"""Operands of arithmetic in files: a value in base units with its dimension."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction as Ratio

from seqrun.errors import FileError
from seqrun.quantity import DIMENSIONS, PLAIN, Dimension, Quantity, QuantityError, kind

LARGEST_EXPONENT = 8


@dataclass(frozen=True, slots=True)
class Term:
    """An operand: a value in base units and what it is made of."""

    value: float
    dimension: Dimension
    celsius: bool = False  # a point on the °C scale

    def _like(self, other: Term, verb: str) -> None:
        if self.dimension != other.dimension:
            raise QuantityError(
                f"{name_of(self)} {verb} {name_of(other)}", "quantities of the same kind"
            )

    def _no_point(self) -> None:
        if self.celsius:
            raise QuantityError(
                "arithmetic with a temperature in °C", "a rise in K, or the difference of two in °C"
            )

    def __add__(self, other: Term) -> Term:
        self._like(other, "plus")
        if self.celsius and other.celsius:
            self._no_point()
        return Term(self.value + other.value, self.dimension, self.celsius or other.celsius)

    def __sub__(self, other: Term) -> Term:
        self._like(other, "minus")
        if other.celsius and not self.celsius:
            self._no_point()
        celsius = self.celsius and not other.celsius
        return Term(self.value - other.value, self.dimension, celsius)

    def __mul__(self, other: Term) -> Term:
        self._no_point()
        other._no_point()
        return Term(self.value * other.value, self.dimension.times(other.dimension))

    def __truediv__(self, other: Term) -> Term:
        self._no_point()
        other._no_point()
        if other.value == 0.0:
            raise QuantityError("division by zero", "a divisor that is not zero")
        return Term(
            self.value / other.value, self.dimension.times(other.dimension.power(Ratio(-1)))
        )

    def __pow__(self, other: Term) -> Term:
        self._no_point()
        if other.dimension != PLAIN:
            raise QuantityError(f"an exponent that is {name_of(other)}", "a bare number")
        exponent = other.value
        if math.isnan(exponent):
            if self.dimension != PLAIN:
                raise QuantityError("an exponent that varies", "a number, such as 2")
            return Term(math.nan, PLAIN)
        if abs(exponent) > LARGEST_EXPONENT:
            raise QuantityError(
                f"an exponent of {exponent:g}", f"one of no more than {LARGEST_EXPONENT}"
            )
        if self.value < 0.0 and not exponent.is_integer():
            raise QuantityError("a root of a negative number", "a number that is not negative")
        if self.value == 0.0 and exponent < 0.0:
            raise QuantityError("division by zero", "a divisor that is not zero")
        ratio = Ratio(exponent).limit_denominator(1000)
        return Term(self.value**exponent, self.dimension.power(ratio))

    def __neg__(self) -> Term:
        self._no_point()
        return Term(-self.value, self.dimension)

    def __pos__(self) -> Term:
        return self


def name_of(term: Term) -> str:
    return kind(unit_of(term))


def unit_of(term: Term) -> str:
    if term.celsius:
        return "°C"
    for unit, dimension in DIMENSIONS.items():
        if dimension == term.dimension:
            return unit
    symbols = ("V", "A", "s", "K", "dB")
    parts = [
        symbol if power == 1 else f"{symbol}^{power}"
        for symbol, power in zip(symbols, term.dimension, strict=True)
        if power
    ]
    return "·".join(parts)


def _extreme(pick: Callable[[float, float], float]) -> Callable[..., Term]:
    def choose(*terms: Term) -> Term:
        if not terms:
            raise QuantityError("min or max of nothing", "at least one quantity in parentheses")
        value = terms[0].value
        for term in terms[1:]:
            terms[0]._like(term, "beside")
            if term.celsius != terms[0].celsius:
                term._no_point()
                terms[0]._no_point()
            # not min(): a value that is not known yet (nan) must stay unknown
            value = math.nan if math.isnan(term.value + value) else pick(value, term.value)
        return Term(value, terms[0].dimension, terms[0].celsius)

    return choose


def _absolute(term: Term) -> Term:
    term._no_point()
    return Term(abs(term.value), term.dimension)


def _root(term: Term) -> Term:
    return term ** Term(0.5, PLAIN)


FUNCTIONS: dict[str, Callable[..., Term]] = {
    "min": _extreme(min),
    "max": _extreme(max),
    "abs": _absolute,
    "sqrt": _root,
}


def term_of(quantity: Quantity) -> Term:
    if quantity.unit not in DIMENSIONS:
        raise FileError(
            f"a quantity in '{quantity.unit}' cannot be calculated with",
            expected=f"one of {' '.join(u for u in DIMENSIONS if u)}",
        )
    value = quantity.value / 100.0 if quantity.unit == "%" else quantity.value
    return Term(value, DIMENSIONS[quantity.unit], quantity.unit == "°C")
