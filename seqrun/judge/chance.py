"""How sure it is that a value of a findings file lies beyond a threshold, its uncertainty known.

A value is made of readings, and each reading has a budget. What one standard uncertainty of each
error changes the value by is carried along, with its sign, so that an error which two readings have
in common (gain and offset of a range of one instrument, one load, one sensor) cancels or adds up as
it does in the value: the law of propagation, JCGM 100:2008, 5.1.2 and 5.2.2. Through arithmetic the
change is half of that between one standard uncertainty up and one down (5.1.3, note 2). A reading
that states no uncertainty brings none: that it is unknown is no reason to take it for none, yet
nothing can be made of it here.

With y the value, T the threshold and u the standard uncertainty of y - T, the true value lies above
with a probability of Φ((y - T)/u): the normal model that a verdict's conformance probability uses
(JCGM 106:2012, 7.2 and 7.3, nothing known beforehand). At the threshold it is one half, one U
(k = 2) away 0.977.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import replace
from typing import TypeAlias

from seqrun.errors import FileError
from seqrun.files.expression import Expression
from seqrun.quantity import Quantity
from seqrun.values import COVERAGE_FACTOR, Reading

#: error -> what one standard uncertainty of it changes a value by, with its sign
Errors: TypeAlias = Mapping[Hashable, float]
#: error of a value that its uncertainty lets be anything, such as a quotient by next to nothing
_ANYTHING = "anything"
_DIGITS = 6  # in which one error's standard uncertainty agrees from one reading to another


def errors_of(reading: Reading, unit: str) -> Errors:
    """The errors of one reading, in ``unit``.

    One that lasts is the same in every reading that has it with the same standard uncertainty;
    any other is this reading's alone.

    Raises:
        QuantityError: the reading is in a unit of another kind.
    """
    factor = Quantity(1.0, reading.unit).in_unit(unit)
    found: dict[Hashable, float] = {}
    for line, one in enumerate(reading.budget):
        change = factor * one.standard_uncertainty
        if one.source.owner and one.sensitivity:
            own = f"{one.standard_uncertainty / abs(one.sensitivity):.{_DIGITS}g}"
            found[one.source, own] = math.copysign(change, factor * one.sensitivity)
        else:
            found[id(reading), line] = change
    return found


def summed(parts: Iterable[tuple[float, Errors]]) -> Errors:
    """The errors of a sum of values, each times a factor."""
    found: dict[Hashable, float] = {}
    for factor, errors in parts:
        for error, change in errors.items():
            found[error] = found.get(error, 0.0) + factor * change
    return found


def standard(errors: Errors) -> float:
    """The standard uncertainty that errors come to."""
    return math.hypot(*errors.values())


def through(
    expression: Expression, names: Mapping[str, Quantity], errors: Mapping[str, Errors]
) -> Errors:
    """The errors of what an expression comes to, in the unit that it comes to.

    Args:
        names: every name that it needs.
        errors: of those names that have any, in the units of ``names``.
    """
    parts: list[tuple[float, Errors]] = []
    for name in expression.names() & errors.keys():
        u = standard(errors[name])
        if u > 0.0:
            change = _change(expression, names, name, u)
            if not math.isfinite(change):
                return {_ANYTHING: math.inf}
            parts.append((change / u, errors[name]))
    return summed(parts)


def _change(expression: Expression, names: Mapping[str, Quantity], name: str, step: float) -> float:
    """What the expression changes by as one name changes by ``step``; infinite where a change that
    small already leaves it without a value."""
    if not math.isfinite(step):
        return math.inf
    needed = {one: names[one] for one in expression.names()}
    here, moved = needed[name], []
    for side in (1.0, -1.0):
        needed[name] = replace(here, value=here.value + side * step)
        try:
            moved.append(expression.evaluate(needed).value)
        except FileError:
            return math.inf
    return 0.5 * (moved[0] - moved[1])


def chance_beyond(margin: float, errors: Errors) -> float:
    """The probability that a margin (value less threshold, say), once without its errors, is
    positive."""
    u = standard(errors)
    if not math.isfinite(u):
        return 0.5
    if not u > 0.0:
        return 1.0 if margin > 0.0 else 0.0
    return 0.5 * math.erfc(-margin / u / math.sqrt(2.0))


#: less sure than one whole U from the threshold
DOUBTFUL = (chance_beyond(-COVERAGE_FACTOR, {"u": 1.0}), chance_beyond(COVERAGE_FACTOR, {"u": 1.0}))
