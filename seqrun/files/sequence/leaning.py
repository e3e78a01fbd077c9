"""Limits that lean on earlier readings, as ``"2 * cold.left"``: their value is a measured one.

A reading in arithmetic carries its uncertainty through it, to first order (JCGM 100:2008, 5.1.2
and 5.2.2). The coefficient is half the difference of what the arithmetic comes to at one standard
uncertainty above the reading and below it (5.1.3, note 2), so that ``max``, ``min`` and ``abs``
count as far as the reading reaches. The reading's own variables are kept: whatever the limit has in
common with what is held against it, a meter's gain, drops out of their difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from uncertainties import UFloat

from seqrun.files.expression import Expression
from seqrun.files.sequence.fields import LimitSpec
from seqrun.quantity import Quantity
from seqrun.values import Limit, exactly


class EarlierReading(NamedTuple):
    """An earlier reading and its unit."""

    value: UFloat
    unit: str

    def quantity(self, moved: float = 0.0) -> Quantity:
        """Its number, ``moved`` in its own unit."""
        return Quantity(float(self.value.nominal_value) + moved, self.unit)


class Leaning(NamedTuple):
    """A limit in the unit of what it limits, and its sides as measured numbers."""

    limit: Limit
    low: UFloat | None
    high: UFloat | None


def measured_in(
    expression: Expression,
    unit: str,
    names: Mapping[str, Quantity],
    readings: Mapping[str, EarlierReading],
) -> UFloat:
    """What an expression comes to, in ``unit``, with the uncertainty of the readings in it.

    Args:
        names: the quantities that are not measured.
        readings: the earlier readings by the names that the expression has for them.

    Raises:
        FileError: as :meth:`Expression.evaluate_in`, at the readings' values or one standard
            uncertainty beside them (a root or a division too near to zero).
    """
    known = {**names, **{name: one.quantity() for name, one in readings.items()}}
    value: UFloat = exactly(expression.evaluate_in(unit, known))
    for name in sorted(expression.names() & readings.keys()):
        one = readings[name]
        u = float(one.value.std_dev)
        if not u > 0.0:
            continue
        above, below = (
            expression.evaluate_in(unit, {**known, name: one.quantity(moved)}) for moved in (u, -u)
        )
        value = value + (above - below) / (2.0 * u) * (one.value - one.value.nominal_value)
    return value


def leaning(
    spec: LimitSpec,
    unit: str,
    names: Mapping[str, Quantity],
    readings: Mapping[str, EarlierReading],
) -> Leaning:
    """A limit over earlier readings, in the unit of what it limits.

    Raises:
        FileError: as :meth:`LimitSpec.resolve` and :func:`measured_in`.
    """
    known = {**names, **{name: one.quantity() for name, one in readings.items()}}
    low, high = (
        None if side is None else measured_in(side, unit, names, readings) for side in spec.sides
    )
    return Leaning(spec.resolve(unit, known), low, high)
