"""The entries of a sequence, repeated over a unit and validated: the steps of a run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from seqrun.errors import FileError, UsageError
from seqrun.files.common import Problem, one_of, refuse, validate
from seqrun.files.expression import fill, placeholders
from seqrun.files.repeat import Repeat, bindings_of, fill_entry
from seqrun.files.sequence.crosscheck import cross_check
from seqrun.files.sequence.fields import StepFields
from seqrun.files.unit.features import FEATURES
from seqrun.files.unit.sheet import Unit

if TYPE_CHECKING:
    from seqrun.files.sequence.file import Sequence


def expand_all(sequence: Sequence, unit: Unit) -> list[StepFields]:
    """Every step, repeated over the unit's channels, devices and so on, in order.

    Raises:
        FileError: listing all that does not fit the unit: points, names, kinds of quantity,
            references to later steps, ids that stand twice.
        UsageError: the sequence is for other units.
    """
    wanted = sequence.for_units_with
    if not is_for(sequence, unit):
        raise UsageError(
            f"'{sequence.title}' is for units with {wanted}, and the sheet of {unit.model} "
            "tells of none",
            expected=f"a unit with {wanted}",
            where=str(unit.path) if unit.text else unit.model,
            hint=sequence.otherwise or None,
        )
    steps, problems, broken = expand_leniently(sequence, unit)
    problems += cross_check(steps, unit, broken)
    problems += check_trips(sequence, unit.units_of_names())
    refuse(sequence.where, problems)
    return steps


def is_for(sequence: Sequence, unit: Unit) -> bool:
    """Whether the unit has what the sequence says that its units have."""
    wanted = sequence.for_units_with
    return not wanted or FEATURES[wanted](unit)


def expand(
    sequence: Sequence, entry: Mapping[str, Any], unit: Unit
) -> list[tuple[StepFields, dict[str, str]]]:
    """One ``[[step]]`` repeated over a unit, each with what its placeholders came to.

    Raises:
        FileError: what is wrong with the entry.
    """
    number = next((i for i, e in enumerate(sequence.step, 1) if e is entry), 1)
    steps, problems = _expand_one(sequence, entry, number, unit)
    refuse(sequence.where, problems)
    return [(step, dict(step.bindings)) for step in steps]


def expand_leniently(
    sequence: Sequence, unit: Unit
) -> tuple[list[StepFields], list[Problem], list[str]]:
    """The steps that can be made, what is wrong with the others, and patterns of their ids (so
    that what refers to them is not called wrong too)."""
    steps: list[StepFields] = []
    problems: list[Problem] = []
    broken: list[str] = []
    for number, entry in enumerate(sequence.step, 1):
        made, wrong = _expand_one(sequence, entry, number, unit)
        steps += made
        problems += wrong
        # What refers to a step that this unit does not get is not wrong either.
        if (wrong or not made) and isinstance(entry.get("id"), str):
            broken.append(fill(entry["id"], dict.fromkeys(placeholders(entry["id"]), "*")))
    return steps, problems, broken


def _expand_one(
    sequence: Sequence, entry: Mapping[str, Any], number: int, unit: Unit
) -> tuple[list[StepFields], list[Problem]]:
    where = f"step {number}" + (f" '{entry['id']}'" if isinstance(entry.get("id"), str) else "")
    do = entry.get("do")
    kind = sequence.kinds.get(do) if isinstance(do, str) else None
    if do is not None and kind is None:
        expected = one_of(str(do), sequence.kinds)
        return [], [Problem(f"{where}, do", f"no kind of step is called {do!r}", expected)]
    feature = entry.get("if_unit_has", "")
    if feature:
        if not isinstance(feature, str) or feature not in FEATURES:
            expected = one_of(str(feature), FEATURES)
            return [], [Problem(f"{where}, if_unit_has", f"{feature!r}", expected)]
        if not FEATURES[feature](unit):
            return [], []
    try:
        repeat = Repeat.read(entry.get("each", ()))
        all_bindings = bindings_of(repeat, unit)
    except FileError as problem:
        return [], [Problem(f"{where}, each", problem.found, problem.expected or "")]
    steps: list[StepFields] = []
    problems: list[Problem] = []
    for bindings in all_bindings:
        filled, wrong = fill_entry(entry, bindings, repeat, where)
        problems += wrong
        step, wrong = validate(kind or StepFields, filled, where)
        problems += wrong
        if step is not None:
            step._bindings, step._number = dict(bindings), number
            steps.append(step)
    return steps, list(dict.fromkeys(problems))


def check_trips(sequence: Sequence, units: Mapping[str, str]) -> Iterator[Problem]:
    """Trips are armed before anything is read: ratings and plain quantities only."""
    for number, trip in enumerate(sequence.trip, 1):
        for key, side in (("above", trip.above), ("below", trip.below)):
            if side is None:
                continue
            try:
                side.check(trip.unit, units)
            except FileError as problem:
                where = f"trip {number} '{trip.quantity}', {key}"
                yield Problem(where, problem.found, problem.expected or "")
