"""Values that travel between the floors: a number with its uncertainty, a reading, a limit.

A measured number is a ``uncertainties.UFloat``; each independent variable in it carries a
:class:`Source` as its tag, so that sums, differences and ratios of readings keep their
correlations and the budget can be read off at the end (JCGM 100:2008, 5.1 and 5.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from typing import Any, Literal, NamedTuple

from uncertainties import UFloat, ufloat
from uncertainties.core import AffineScalarFunc, LinearCombination

Distribution = Literal["normal", "rectangular", "triangular", "t"]
#: k of every expanded uncertainty, and what it covers of a normal distribution (JCGM 100:2008,
#: table G.1). Few repeats are widened by :func:`student`, so that it covers as much of theirs.
COVERAGE_FACTOR = 2.0
COVERAGE_PROBABILITY = math.erf(COVERAGE_FACTOR / math.sqrt(2.0))


#: what instruments answer for no number: infinity, and not-a-number (SCPI-99 volume 1, 7.2.1.4 and
#: 7.2.1.5). Nothing as large is a result.
SCPI_INFINITY, SCPI_NOT_A_NUMBER = 9.9e37, 9.91e37

#: how a record marks an instrument whose number a person read and typed in
TYPED = " (typed)"
#: how the note begins of a reading that the operator left out
SKIPPED = "skipped by the operator"


class Source(NamedTuple):
    """Where a contribution comes from: the tag on each independent variable.

    ``owner`` is set for an error that lasts: it is one unknown number for as long as its owner
    (``"instrument meter"``, ``"load left"``) stays the same. Without an owner every reading has an
    error of its own.
    """

    name: str
    distribution: Distribution = "normal"
    degrees_of_freedom: float = math.inf
    owner: str = ""


class Bound(StrEnum):
    """How a reading's value is meant."""

    EXACT = "exact"
    AT_MOST = "at_most"  # buried in the instrument's own floor: no more than this
    AT_LEAST = "at_least"


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget, in the reading's own unit.

    ``sensitivity`` is what the reading changes by, with its sign, as an error that lasts changes
    by one of its own unit: the coefficient c of JCGM 100:2008, 5.1.3, so that u = abs(c) u(x).
    None: the error does not last, or several go by this name.
    """

    source: Source
    standard_uncertainty: float
    sensitivity: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One result: value, unit, budget and what it was read with.

    ``value`` is None when the quantity was not measured; ``note`` then holds the reason.
    """

    quantity: str
    unit: str
    value: float | None
    budget: tuple[Contribution, ...] = ()
    channel: str = ""
    bound: Bound = Bound.EXACT
    instruments: tuple[str, ...] = ()
    note: str = ""

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty, in the reading's unit."""
        return math.hypot(*(c.standard_uncertainty for c in self.budget)) if self.budget else 0.0

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty U = k u with k = 2."""
        return COVERAGE_FACTOR * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Limit:
    """What a reading must keep to, in the reading's own unit. At least one side is set."""

    low: float | None = None
    high: float | None = None


class Verdict(StrEnum):
    """Verdict on one reading (the non-binary statement of ILAC-G8:09/2019)."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NOT_MEASURED = "not measured"
    NONE = ""  # a reading without a limit


class Heat(StrEnum):
    """What the unit had gone through when a reading was made."""

    COLD = "cold"  # powered a short while ago
    WARM = "warm"  # power held for minutes
    RESTED = "rested"  # soaked at idle
    DRIVEN = "driven"  # soaked while it delivered power


class Disposition(StrEnum):
    """Disposition of the whole unit."""

    ACCEPT = "accept"
    HOLD = "hold"
    REJECT = "reject"
    ABORTED = "aborted"


EXIT_CODES = {
    Disposition.ACCEPT: 0,
    Disposition.REJECT: 1,
    Disposition.HOLD: 3,
    Disposition.ABORTED: 4,
}


def exactly(value: float) -> UFloat:
    """A number without uncertainty (a definition, a count) in the type of measured ones."""
    return AffineScalarFunc(float(value), LinearCombination({}))


@lru_cache(maxsize=256)
def student(degrees_of_freedom: float) -> float:
    """Factor on a standard uncertainty from few repeats, so that k times it covers what k = 2
    covers of a normal distribution: Student's t for 95.45 % over k (JCGM 100:2008, G.3).

    The one rule for few repeats: a mean of n has n − 1 degrees of freedom (7 at two readings, 2.26
    at three, 1.43 at five), a line through n has n − 2. k stays what it is, in every column.

    Returns:
        1 for infinite degrees of freedom, infinity for none at all.
    """
    if not degrees_of_freedom > 0.0:
        return math.inf
    if math.isinf(degrees_of_freedom):
        return 1.0
    from scipy.special import stdtrit

    quantile = float(stdtrit(degrees_of_freedom, 0.5 + 0.5 * COVERAGE_PROBABILITY))
    return quantile / COVERAGE_FACTOR


def rectangular(value: float, half_width: float, name: str, owner: str = "") -> UFloat:
    """A value known to lie within ±half_width: u = a/√3 (JCGM 100:2008, 4.3.7)."""
    source = Source(name, "rectangular", owner=owner)
    return variable(value, abs(half_width) / math.sqrt(3.0), source)


def normal(value: float, u: float, name: str, degrees_of_freedom: float = math.inf) -> UFloat:
    """A value with standard uncertainty u from repeats or a certificate."""
    return variable(value, abs(u), Source(name, "normal", degrees_of_freedom))


def variable(value: float, u: float, source: Source) -> UFloat:
    """A new independent variable, or a constant when nothing is uncertain about it."""
    return ufloat(value, u, tag=source) if u > 0.0 else exactly(value)


def budget_of(value: UFloat) -> tuple[Contribution, ...]:
    """Contributions of a measured number, largest first; variables of one source are combined."""
    slopes: dict[Source, list[tuple[float, float]]] = {}
    for variable, slope in value.derivatives.items():
        tag: Any = variable.tag
        source = tag if isinstance(tag, Source) else Source(str(tag or "unnamed"))
        slopes.setdefault(source, []).append((float(slope), float(variable.std_dev)))
    lines = [_contribution(source, parts) for source, parts in slopes.items()]
    return tuple(
        sorted(
            (line for line in lines if line.standard_uncertainty > 0.0),
            key=lambda c: -c.standard_uncertainty,
        )
    )


def _contribution(source: Source, parts: list[tuple[float, float]]) -> Contribution:
    """The line of all variables of one source, each as its slope and standard uncertainty."""
    u = math.hypot(*(slope * u for slope, u in parts if u > 0.0))
    return Contribution(source, u, parts[0][0] if source.owner and len(parts) == 1 else None)


def reading(
    quantity: str,
    unit: str,
    value: UFloat,
    *,
    channel: str = "",
    bound: Bound = Bound.EXACT,
    instruments: Iterable[str] = (),
    note: str = "",
) -> Reading:
    """A reading from a measured number, with its budget."""
    return Reading(
        quantity,
        unit,
        float(value.nominal_value),
        budget_of(value),
        channel,
        bound,
        tuple(instruments),
        note,
    )


@dataclass(frozen=True, slots=True)
class Judged:
    """A reading with the limit it was held against and what came of it.

    The one form of a reading after the judge: what the columns of ``readings.csv`` hold goes by
    their names here, in the table and in every frame made of it. ``time_utc`` (ISO 8601) and
    ``simulated`` are set when it is read back from a record.
    """

    reading: Reading
    step: str
    limit: Limit | None
    decision: str  # "guarded" or "simple"
    verdict: Verdict
    conformance_probability: float | None
    time_utc: str = field(default="", compare=False)
    simulated: bool = field(default=False, compare=False)

    @property
    def channel(self) -> str:
        return self.reading.channel

    @property
    def quantity(self) -> str:
        return self.reading.quantity

    @property
    def value(self) -> float | None:
        """In ``unit``; None: not measured, and ``note`` says why."""
        return self.reading.value

    @property
    def unit(self) -> str:
        return self.reading.unit

    @property
    def expanded_uncertainty(self) -> float | None:
        """U = k u, in ``unit``; None where none is stated (a setting, a count, a peak)."""
        return self.reading.expanded_uncertainty if self.stated else None

    @property
    def coverage_factor(self) -> float | None:
        """k of :attr:`expanded_uncertainty`; None where none is stated."""
        return COVERAGE_FACTOR if self.stated else None

    @property
    def stated(self) -> bool:
        """Whether an uncertainty is stated; one that is not stated is unknown, not zero."""
        return self.reading.value is not None and bool(self.reading.budget)

    @property
    def bound(self) -> Bound:
        return self.reading.bound

    @property
    def limit_low(self) -> float | None:
        return self.limit.low if self.limit else None

    @property
    def limit_high(self) -> float | None:
        return self.limit.high if self.limit else None

    @property
    def instruments(self) -> tuple[str, ...]:
        return self.reading.instruments

    @property
    def note(self) -> str:
        return self.reading.note
