"""What the readings of a run show: the values and signs of a findings file, resolved.

Nothing is invented here: a value whose readings are not there, or that cannot be, is unknown, and a
sign that rests on it is neither seen nor unseen. A value whose uncertainty reaches across the
threshold of its sign shows it as surely as it lies beyond (:mod:`seqrun.judge.chance`): just at the
threshold it speaks neither for a cause nor against it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase, translate

from seqrun.errors import FileError
from seqrun.files.expression import Expression
from seqrun.files.findings.file import Sign, Value, Which
from seqrun.files.findings.patterns import Patterns
from seqrun.judge.chance import DOUBTFUL, Errors, chance_beyond, errors_of, summed, through
from seqrun.judge.condition import Condition, conditions
from seqrun.quantity import Quantity, QuantityError, read, render
from seqrun.values import Bound, Judged, Reading, Verdict

#: what is taken over all readings or not at all
_WHOLE = ("sum", "count", "spread")
_FAILS = frozenset((Verdict.FAIL, Verdict.CONDITIONAL_FAIL))
Run = Sequence[tuple[Judged, Condition]]
_MARK = "VALUEHERE"
_NUMBER = r"([-+]?\d[\d.]*(?:[eE][-+]?\d+)?(?:\s?[^\s,;():]+)?)"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One sign, in one run or in several. ``seen`` is None when the readings do not tell.

    ``chances`` are the probabilities that it is truly there, of each run that tells it: one half
    or more where it is seen, else no more than that. None given: it is as sure as it is seen.
    """

    sign: Sign
    seen: bool | None
    value: Quantity | None = None
    chances: tuple[float, ...] = ()

    def ratio(self, seen_with: float) -> float:
        """Its likelihood ratio for a cause with which it is seen so often. However many runs tell
        it, it is one sign: where they disagree, the ratios are averaged (geometrically)."""
        chances = self.chances or (float(bool(self.seen)),)
        ratios = [ratio_of(seen_with, self.sign.otherwise, chance) for chance in chances]
        return math.exp(math.fsum(map(math.log, ratios)) / len(ratios))

    @property
    def doubtful(self) -> bool:
        """Every run that tells it read its value less than one U from the threshold."""
        least, most = DOUBTFUL
        return bool(self.chances) and all(least < chance < most for chance in self.chances)

    @property
    def words(self) -> str:
        """What is seen, or that it is not, in words."""
        text = self.sign.words if self.seen else self.sign.not_words or f"not: {self.sign.words}"
        shown = render(self.value.value, self.value.unit, digits=3) if self.value else "unknown"
        return text.replace("{value}", shown) + (" (by less than U)" if self.doubtful else "")


def ratio_of(seen_with: float, seen_without: float, chance: float) -> float:
    """Likelihood ratio of a sign that is there (1), is not (0) or is with a probability, from how
    often it is seen with a cause and without.

    Both cases are weighed by their probabilities (evidence that is itself uncertain: J. Pearl,
    Probabilistic Reasoning in Intelligent Systems, 1988, 2.3.3; from memory): 1 at one half.
    """
    there = chance * seen_with + (1.0 - chance) * (1.0 - seen_with)
    return there / (chance * seen_without + (1.0 - chance) * (1.0 - seen_without))


def values_of(patterns: Patterns, judged: Sequence[Judged], reason: str) -> dict[str, Quantity]:
    """The values that this run has, by id; those that it has not are left out.

    Args:
        reason: how the run ended, as in ``runs.csv``.
    """
    return _known_of(patterns, within(judged), reason).values


@dataclass(slots=True)
class _Known:
    """What a run tells of the values of a findings file, each by its id.

    ``names`` are they and the names of the unit sheet; ``errors`` are in the units of ``names``.
    """

    names: dict[str, Quantity]
    values: dict[str, Quantity] = field(default_factory=dict)
    errors: dict[str, Errors] = field(default_factory=dict)
    bounds: dict[str, Bound] = field(default_factory=dict)

    def add(self, value: Value, quantity: Quantity, errors: Errors, bound: Bound) -> None:
        self.names[value.id] = self.values[value.id] = quantity
        self.bounds[value.id] = bound
        if errors:
            self.errors[value.id] = errors


def _known_of(patterns: Patterns, run: Run, reason: str) -> _Known:
    told = _Known(dict(patterns.unit.names()))
    for value in patterns.values:
        quantity = _value(value, run, reason, told.names)
        if quantity is None or (value.positive and quantity.value <= 0.0):
            continue
        if value.of is not None:
            errors = through(value.of, told.names, told.errors)
        else:
            errors = _errors(value, run)
        told.add(value, quantity, errors, _bound(value, run))
    return told


def evidence_of(
    patterns: Patterns, judged: Sequence[Judged], reason: str, sequence: str = ""
) -> dict[str, Evidence]:
    """Every sign, seen, not seen or untold, by id; ``sequence`` is the name of the run's."""
    run = within(judged)
    told = _known_of(patterns, run, reason)
    first = {
        sign.id: _sign(sign, run, reason, told) if told_by(sign, sequence) else Evidence(sign, None)
        for sign in patterns.signs
    }
    return {name: _unless(name, first, ()) for name in first}


def _unless(name: str, first: Mapping[str, Evidence], asked: tuple[str, ...]) -> Evidence:
    """A sign that is seen but explained by another tells nothing; nor does it explain a third."""
    evidence = first[name]
    others = (other for other in evidence.sign.unless if other not in asked)
    if evidence.seen and any(_unless(o, first, (*asked, name)).seen for o in others):
        return Evidence(evidence.sign, None, evidence.value)
    return evidence


def told_by(sign: Sign, sequence: str) -> bool:
    """Whether a sequence of this name can tell a sign; a pattern after ``!`` is one that cannot."""
    wanted = [p for p in sign.sequences if not p.startswith("!")]
    if any(fnmatchcase(sequence, p[1:]) for p in sign.sequences if p.startswith("!")):
        return False
    return not wanted or any(fnmatchcase(sequence, p) for p in wanted)


def within(judged: Sequence[Judged]) -> Run:
    """The readings of a run, each with what it was made under."""
    return list(zip(judged, conditions(judged), strict=True))


def about(which: Which, run: Run) -> list[Judged]:
    """The readings that an entry is about, in the order of the run."""
    return [
        j
        for j, condition in run
        if j.quantity in which.quantity
        and (not which.when or condition.heat in which.when)
        and (not which.beside or condition.about == which.beside)
        and any(fnmatchcase(j.step, pattern) for pattern in which.steps)
        and any(fnmatchcase(j.channel, pattern) for pattern in which.on)
    ]


def _taken_from(value: Value, run: Run) -> list[Judged]:
    """The readings that a value is taken from, in the order of the run."""
    found = about(value, run)
    if not value.first_of_each:
        return found
    first: dict[str, Judged] = {}
    for one in found:
        if one.value is not None:
            first.setdefault(one.channel, one)
    return list(first.values())


def rests_on(patterns: Patterns, sign: Sign, run: Run) -> frozenset[tuple[str, str, str]]:
    """Step, quantity and channel of each reading that a sign is made of, by way of its values."""
    values = {value.id: value for value in patterns.values}
    open_names = [e.names() for e in (sign.value, sign.above, sign.below) if e is not None]
    wanted: set[str] = set()
    while open_names:
        new = (open_names.pop() & values.keys()) - wanted
        wanted |= new
        open_names += [of.names() for name in new if (of := values[name].of) is not None]
    whose: list[Which] = [values[name] for name in wanted if values[name].of is None]
    whose += [sign] if sign.quantity else []
    return frozenset((j.step, j.quantity, j.channel) for one in whose for j in about(one, run))


def _value(value: Value, run: Run, reason: str, known: Mapping[str, Quantity]) -> Quantity | None:
    if value.of is not None:
        return _arithmetic(value.of, known)
    if value.reason:
        return _from_reason(value.reason, value.unit, reason)
    found = _taken_from(value, run)
    if len({j.channel for j in found if j.value is not None}) < value.channels:
        return None
    readings = [j.reading for j in found]
    if value.take in _WHOLE and any(reading.value is None for reading in readings):
        return None  # one ingredient is missing
    if value.take == "count":
        return Quantity(float(len(readings)), "") if readings else None
    numbers: list[float] = []
    for reading in readings:
        if reading.value is None:
            continue
        try:
            numbers.append(Quantity(reading.value, reading.unit).in_unit(value.unit))
        except QuantityError:
            return None  # the same name for two kinds of thing: no number to be had
    if len(numbers) < value.at_least:
        return None
    taken = {
        "first": numbers[0],
        "last": numbers[-1],
        "largest": max(numbers),
        "smallest": min(numbers),
        "mean": sum(numbers) / len(numbers),
        "sum": sum(numbers),
        "spread": max(numbers) - min(numbers),
    }[value.take]
    kelvins = value.take == "spread" and value.unit == "°C"
    return Quantity(taken, "K" if kelvins else value.unit)


def _picked(value: Value, run: Run) -> list[Reading]:
    """The readings that a value is one of, or is made of as a mean or sum is."""
    readings = [j.reading for j in _taken_from(value, run) if j.reading.value is not None]
    if not readings:
        return []
    return {
        "first": readings[:1],
        "last": readings[-1:],
        "largest": [max(readings, key=_number)],
        "smallest": [min(readings, key=_number)],
    }.get(value.take, readings)


def _bound(value: Value, run: Run) -> Bound:
    """How a value is meant that is taken straight from readings: "at least 20 kHz", when a sweep
    ended there, is no corner of 20 kHz."""
    if value.of is not None or value.reason or value.take in ("count", "spread"):
        return Bound.EXACT
    picked = _picked(value, run)
    return next((r.bound for r in picked if r.bound is not Bound.EXACT), Bound.EXACT)


def _errors(value: Value, run: Run) -> Errors:
    """The errors of a value that is taken straight from readings."""
    if value.reason or value.take == "count":
        return {}
    readings = _picked(value, run)
    if value.take == "spread":
        ends = (max(readings, key=_number), 1.0), (min(readings, key=_number), -1.0)
        return summed((factor, errors_of(end, value.unit)) for end, factor in ends)
    share = 1.0 / len(readings) if value.take == "mean" else 1.0
    return summed((share, errors_of(reading, value.unit)) for reading in readings)


def _number(reading: Reading) -> float:
    return reading.value if reading.value is not None else math.nan


def _arithmetic(expression: Expression, known: Mapping[str, Quantity]) -> Quantity | None:
    if not expression.names() <= known.keys():
        return None
    try:
        return expression.evaluate(known)
    except FileError:  # a division by a reading of zero, say: this run has no such value
        return None


def _from_reason(pattern: str, unit: str, reason: str) -> Quantity | None:
    # fnmatch's own translation, with the number's place kept open
    expression = translate(pattern.replace("{value}", _MARK)).replace(_MARK, _NUMBER)
    match = re.match(expression, reason)
    if match is None:
        return None
    try:
        return Quantity(read(match.group(1)).in_unit(unit), unit)
    except QuantityError:
        return None


def _sign(sign: Sign, run: Run, reason: str, told: _Known) -> Evidence:
    if sign.ask:
        return Evidence(sign, None)  # readings do not tell what only its owner has seen
    if sign.reason and not fnmatchcase(reason, sign.reason):
        # A run that ended before it could have ended so tells nothing.
        anywhere = not sign.quantity and "*" in sign.steps
        came_so_far = anywhere or (
            bool(about(sign, run))
            if sign.quantity
            else any(fnmatchcase(j.step, pattern) for j, _ in run for pattern in sign.steps)
        )
        return Evidence(sign, False if came_so_far else None)
    if sign.value is None:
        return _by_verdict(sign, run) if sign.verdict else Evidence(sign, True)
    by_value = _by_value(sign, sign.value, told)
    if not sign.verdict:
        return by_value
    failed = _by_verdict(sign, run)
    return failed if failed.seen else by_value


def _by_value(sign: Sign, expression: Expression, told: _Known) -> Evidence:
    """Whether a value is beyond the threshold of a sign, or between two, and how sure that is."""
    value = _arithmetic(expression, told.names)
    if value is None:
        return Evidence(sign, None)
    errors = through(expression, told.names, told.errors)
    # A value that is a bound goes on to one side, and tells of that side only what is beyond it.
    bound = told.bounds.get(str(expression), Bound.EXACT)
    seen: bool | None = True
    outside = 0.0  # the probability that it is not beyond one threshold or the other
    for side, beyond, onward in (
        (sign.above, 1.0, Bound.AT_LEAST),
        (sign.below, -1.0, Bound.AT_MOST),
    ):
        if side is None:
            continue
        threshold = _arithmetic(side, told.names)
        if threshold is None:
            return Evidence(sign, None, value)
        margin = beyond * (value.value - threshold.in_unit(value.unit))
        is_beyond = margin > 0.0
        if bound is Bound.EXACT or is_beyond == (bound is onward):
            seen = False if not is_beyond else seen
            factor = Quantity(1.0, threshold.unit).in_unit(value.unit)
            own = through(side, told.names, told.errors)
            outside += 1.0 - chance_beyond(
                margin, summed(((beyond, errors), (-beyond * factor, own)))
            )
        elif seen:
            seen = None
    if seen is None:
        return Evidence(sign, None, value)
    # What lies between two thresholds that are closer than U is never sure to: it tells nothing.
    inside = 1.0 - min(outside, 1.0)
    return Evidence(sign, seen, value, (max(inside, 0.5) if seen else min(inside, 0.5),))


def _by_verdict(sign: Sign, run: Run) -> Evidence:
    readings = about(sign, run)
    if not readings:
        return Evidence(sign, None)
    hit = [
        j for j in readings if j.verdict in sign.verdict and fnmatchcase(j.reading.note, sign.note)
    ]
    if hit:
        reading = hit[0].reading
        value = None if reading.value is None else Quantity(reading.value, reading.unit)
        return Evidence(sign, True, value, tuple(max(c, 0.5) for c in _chances(sign, hit[:1])))
    # What could not be measured for another reason tells nothing either way. Where the sign is one
    # of these reasons, what was measured speaks against it.
    missing = [j.verdict is Verdict.NOT_MEASURED for j in readings]
    untold = all(missing) if Verdict.NOT_MEASURED in sign.verdict else any(missing)
    if untold:
        return Evidence(sign, None)
    return Evidence(sign, False, None, tuple(min(c, 0.5) for c in _chances(sign, readings)))


def _chances(sign: Sign, readings: Sequence[Judged]) -> tuple[float, ...]:
    """How sure a sign is that a limit was failed, by the reading that came closest to it, or past
    it: what is left of its conformance probability (JCGM 106). Nothing for any other verdict."""
    told = [p for j in readings if (p := j.conformance_probability) is not None]
    if not told or not _FAILS.issuperset(sign.verdict):
        return ()
    return (1.0 - min(told),)
