"""Quantities and arithmetic in files: ``"50 mV"``, ``"0.9 * rated_power"``.

An expression is a quantity, or arithmetic with ``+ - * / **``, parentheses and ``min max abs
sqrt`` over quantities, the names of the unit sheet and the ids of earlier steps, whose readings
they stand for. A step that made several readings wants the channel, too: ``gain.left - 1 dB``. A
name of the unit sheet goes before a step of that name. Ids keep their dots and dashes: ``1.5 *
idle_cold.left``. A dash between two names
without spaces belongs to the name, so a minus between names wants spaces around it. Placeholders
such as ``{channel}`` are put in before an expression is evaluated.

Operands carry their dimensions, so that ``0.9 * rated_voltage`` cannot be a limit on a power. A
temperature in °C is a point on a scale: the difference of two is in K, and one plus a rise is
again one. Simpleeval does the arithmetic; it is given nothing but numbered operands, the operators
and the four functions.
"""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any

import simpleeval
from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from seqrun.errors import FileError
from seqrun.files.common import one_of
from seqrun.files.term import FUNCTIONS, Term, term_of, unit_of
from seqrun.quantity import (
    SPELLINGS,
    Quantity,
    QuantityError,
    custom_error,
    example,
    kind,
    parse,
    read,
)

LONGEST_EXPRESSION = 200
DEEPEST = 20  # parentheses

_UNIT = "|".join(re.escape(u) for u in sorted(SPELLINGS, key=len, reverse=True) if u)
_WORD = r"[A-Za-z0-9_{}]+"
_TOKEN = re.compile(
    rf"""\s*(?:
    (?P<quantity>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{{1,3}})?
        (?:\s*[TGMkmuµμnp]?(?:{_UNIT})(?![A-Za-z0-9_.]))?)
    |(?P<name>[A-Za-z_{{][A-Za-z0-9_{{}}]*(?:[.-]{_WORD})*)
    |(?P<mark>\*\*|[-+*/(),])
    )""",
    re.VERBOSE,
)


_OPERATORS: dict[type[ast.AST], Callable[..., Term]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
    ast.Pow: lambda a, b: a**b,
    ast.USub: lambda a: -a,
    ast.UAdd: lambda a: a,
}


@lru_cache(maxsize=1024)
def _compiled(text: str) -> tuple[tuple[Quantity | str, ...], ast.Expr | None]:
    """Operands and program of a text; a step repeated over a unit's parts has the same ones.

    The program is None when the text is a quantity, the only operand then.

    Raises:
        QuantityError: it is neither a quantity nor arithmetic.
    """
    if len(text) > LONGEST_EXPRESSION:
        raise QuantityError(
            f"{len(text)} characters", f"an expression of at most {LONGEST_EXPRESSION}"
        )
    try:
        only = read(text)
    except QuantityError as problem:
        if _looks_like_a_quantity(text):
            raise
        not_a_quantity = problem
    else:
        return (only,), None
    operands: list[Quantity | str] = []
    words: list[str] = []
    at = depth = 0
    while at < len(text):
        token = _TOKEN.match(text, at)
        if token is None:
            rest = text[at:].strip()
            raise QuantityError(
                f'"{text}" cannot be read from "{rest[:20]}" on' if rest else not_a_quantity.found,
                'a quantity such as "50 mV" or arithmetic such as "0.9 * rated_power"',
            )
        at = token.end()
        if token["mark"]:
            depth += {"(": 1, ")": -1}.get(token["mark"], 0)
            words.append(token["mark"])
        elif token["name"] in FUNCTIONS:
            words.append(token["name"])
        else:
            words.append(f"n{len(operands)}")
            operands.append(read(token["quantity"]) if token["quantity"] else token["name"])
        if depth > DEEPEST:
            raise QuantityError(f"more than {DEEPEST} parentheses deep", "fewer")
    try:
        tree = ast.parse(" ".join(words), mode="exec")
    except (SyntaxError, ValueError, MemoryError, RecursionError):
        tree = None
    if tree is None or len(tree.body) != 1 or not isinstance(tree.body[0], ast.Expr):
        raise QuantityError(
            f'"{text}" is not complete arithmetic',
            "operands with + - * / ** between them, min( ), max( ), abs( ), sqrt( )",
        )
    return tuple(operands), tree.body[0]


class Expression:
    """A quantity or an arithmetic expression as it stands in a file. Immutable.

    Raises:
        FileError: on construction, when the text is neither.
    """

    __slots__ = ("_names", "_operands", "_program", "text")

    def __init__(self, text: str) -> None:
        self.text = text.strip()
        try:
            self._operands, self._program = _compiled(self.text)
        except QuantityError as problem:
            raise FileError(problem.found, expected=problem.expected) from None
        names: set[str] = {o for o in self._operands if not isinstance(o, Quantity)}
        self._names = frozenset(names)

    def names(self) -> frozenset[str]:
        """Names of the unit sheet and ids of steps that it needs."""
        return self._names

    @property
    def constant(self) -> Quantity | None:
        """The quantity, when it is nothing but one."""
        only = self._operands[0] if self._program is None else None
        return only if isinstance(only, Quantity) else None

    def evaluate(self, names: Mapping[str, Quantity]) -> Quantity:
        """The quantity that it comes to.

        Args:
            names: at least those of :meth:`names`.

        Raises:
            FileError: unknown name (with the nearest known), kinds that do not go together,
                division by zero, root of a negative number, too large.
        """
        term = self._run(names)
        if not math.isfinite(term.value):
            raise FileError(f'"{self.text}" is not a finite number', expected="smaller numbers")
        return Quantity(term.value, unit_of(term))

    def evaluate_in(self, unit: str, names: Mapping[str, Quantity]) -> float:
        """The value in a unit.

        Raises:
            FileError: as :meth:`evaluate`, and when it is not of that unit's kind.
        """
        value = self.evaluate(names)
        self._expect(value, unit)
        return value.in_unit(unit)

    def kind(self, units: Mapping[str, str]) -> str:
        """The unit that it comes to when names have the units given, before values exist.

        Raises:
            FileError: unknown name, or kinds that do not go together.
        """
        if self._names <= units.keys():
            return _kind_of(self.text, tuple((name, units[name]) for name in sorted(self._names)))
        # All names, as one is unknown: the message names the nearest.
        return unit_of(self._run({name: Quantity(math.nan, unit) for name, unit in units.items()}))

    def check(self, unit: str, units: Mapping[str, str]) -> None:
        """See that it comes to ``unit`` when names have the units given, before values exist.

        Raises:
            FileError: unknown name, or kinds that do not go together.
        """
        self._expect(Quantity(0.0, self.kind(units)), unit)

    def _expect(self, value: Quantity, unit: str) -> None:
        if self.constant is not None:
            try:
                parse(self.text, unit)
            except QuantityError as problem:
                raise FileError(problem.found, expected=problem.expected) from None
            return
        try:
            value.in_unit(unit)
        except QuantityError:
            raise FileError(
                f'"{self.text}" comes to {kind(value.unit)}',
                expected=f"{kind(unit)}, {example(unit)}",
            ) from None

    def _run(self, names: Mapping[str, Quantity]) -> Term:
        terms: dict[str, Term] = {}
        for index, operand in enumerate(self._operands):
            if isinstance(operand, str):
                if operand not in names:
                    raise _unknown(operand, self.text, names)
                operand = names[operand]
            terms[f"n{index}"] = term_of(operand)
        if self._program is None:
            return terms["n0"]
        evaluator = simpleeval.SimpleEval(operators=_OPERATORS, functions=FUNCTIONS, names=terms)
        try:
            result = evaluator.eval(self.text, previously_parsed=self._program)
        except QuantityError as problem:
            raise FileError(f'"{self.text}": {problem.found}', expected=problem.expected) from None
        except (OverflowError, ArithmeticError):
            raise FileError(f'"{self.text}" is too large', expected="smaller numbers") from None
        except (simpleeval.InvalidExpression, TypeError, AttributeError, RecursionError):
            raise FileError(
                f'"{self.text}" is not arithmetic that a limit may hold',
                expected="+ - * / ** and min( ), max( ), abs( ), sqrt( )",
            ) from None
        if not isinstance(result, Term):
            raise FileError(f'"{self.text}" does not come to a quantity', expected="arithmetic")
        return result

    def __str__(self) -> str:
        return self.text

    def __repr__(self) -> str:
        return f"Expression({self.text!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Expression) and self.text == other.text

    def __hash__(self) -> int:
        return hash(self.text)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            cls._from_file, serialization=core_schema.to_string_ser_schema()
        )

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {
            "type": "string",
            "description": "a quantity, or arithmetic over unit-sheet names and ids of steps",
            "examples": ["50 mV", "0.9 * rated_power", "1.5 * idle_cold.left"],
        }

    @classmethod
    def _from_file(cls, value: Any) -> Expression:
        if isinstance(value, Expression):
            return value
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise custom_error(
                f"{value!r} is not a quantity", 'text such as "50 mV" or "0.9 * rated_power"'
            )
        try:
            return cls(value if isinstance(value, str) else repr(value))
        except FileError as problem:
            raise custom_error(problem.found, problem.expected or "a quantity") from problem


@dataclass(frozen=True, slots=True)
class InUnit:
    """Marks a field that is an expression with what it must come to: ``VoltsExpression`` below."""

    unit: str


VoltsExpression = Annotated[Expression, InUnit("V")]
AmperesExpression = Annotated[Expression, InUnit("A")]
WattsExpression = Annotated[Expression, InUnit("W")]
HertzExpression = Annotated[Expression, InUnit("Hz")]
SecondsExpression = Annotated[Expression, InUnit("s")]


@lru_cache(maxsize=4096)
def _kind_of(text: str, units: tuple[tuple[str, str], ...]) -> str:
    """The unit that a text comes to when its names have these: as it is the same for every unit
    and every part of it, it is worked out once."""
    return unit_of(Expression(text)._run({name: Quantity(math.nan, u) for name, u in units}))


def _looks_like_a_quantity(text: str) -> bool:
    """One number and one word: better told what is wrong with the quantity than the arithmetic."""
    return re.fullmatch(r"[+-]?[\d.,]+(?:[eE][+-]?\d+)?\s*[^\W\d_]*[%°]?\w*", text) is not None


def _unknown(name: str, text: str, names: Mapping[str, Quantity]) -> FileError:
    expected = one_of(name, names)
    if "-" in name and set(name.split("-")) & set(names):
        expected += " (a minus between names wants spaces around it)"
    return FileError(f"unknown name '{name}' in \"{text}\"", expected=expected)


_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


def placeholders(text: str) -> list[str]:
    """Names in braces, in order."""
    return _PLACEHOLDER.findall(text) if "{" in text else []


def fill(text: str, bindings: Mapping[str, str]) -> str:
    """Put values in for ``{name}``; names that are not bound stay as they are."""
    if "{" not in text:
        return text
    return _PLACEHOLDER.sub(lambda m: bindings.get(m.group(1), m.group(0)), text)
