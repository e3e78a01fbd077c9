"""A findings file repeated over a unit: values, signs, causes and sections, checked together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Any, TypeVar

from seqrun.errors import FileError
from seqrun.files.common import Problem, Strict, one_of, refuse, validate
from seqrun.files.expression import Expression, fill, placeholders
from seqrun.files.findings.file import (
    ENTRIES,
    Cause,
    FindingsFile,
    Section,
    Sign,
    TellApart,
    Value,
)
from seqrun.files.repeat import Repeat, bindings_of, fill_entry
from seqrun.files.unit.features import FEATURES
from seqrun.files.unit.names import UNIT_OF_NAME
from seqrun.files.unit.sheet import Unit
from seqrun.quantity import DIMENSIONS

E = TypeVar("E", bound=Strict)
#: stays as it is in words and reasons: the judge puts the number in
_KEPT = {"value": "{value}"}


@dataclass(frozen=True, slots=True)
class Patterns:
    """What a findings file says about one unit; values in the order of the file."""

    values: tuple[Value, ...]
    signs: tuple[Sign, ...]
    causes: tuple[Cause, ...]
    sections: tuple[Section, ...]
    apart: tuple[TellApart, ...]
    no_fault: float
    trust: float
    unit: Unit


def patterns_for(file: FindingsFile, unit: Unit) -> Patterns:
    """A findings file for a unit.

    Raises:
        FileError: listing everything that does not fit the unit or itself.
    """
    found, problems = expand_leniently(file, unit)
    refuse(file.path if file.text else file.title, problems)
    return found


def expand_leniently(file: FindingsFile, unit: Unit) -> tuple[Patterns, list[Problem]]:
    """What can be made of the entries, and what is wrong with the others."""
    problems: list[Problem] = []

    def all_of(kind: str, model: type[E]) -> tuple[E, ...]:
        made, wrong = _repeated(kind, model, getattr(file, kind), unit)
        problems.extend(wrong)
        return tuple(made)

    found = Patterns(
        values=all_of("value", Value),
        signs=all_of("sign", Sign),
        causes=all_of("cause", Cause),
        sections=all_of("section", Section),
        apart=file.apart,
        no_fault=file.no_fault,
        trust=file.trust,
        unit=unit,
    )
    if not problems:  # else what refers to an entry that is wrong would be called wrong too
        anywhere = [fill(e["id"], dict.fromkeys(placeholders(e["id"]), "*")) for e in file.cause]
        problems += [*_twice(found), *_names(found), *_references(found, anywhere)]
    return found, list(dict.fromkeys(problems))


def unknown_quantities(found: Patterns, units: Mapping[str, str]) -> list[Problem]:
    """Quantities that no step yields, and values taken in a unit of another kind.

    Args:
        units: name -> unit of every quantity there is.
    """
    problems: list[Problem] = []
    for kind, entries in (("value", found.values), ("sign", found.signs)):
        for entry in entries:
            where = f"{kind} '{entry.id}', quantity"
            for name in entry.quantity:
                if name not in units:
                    wrong = f"no step yields a quantity called '{name}'"
                    problems.append(Problem(where, wrong, one_of(name, units)))
                elif (
                    isinstance(entry, Value)
                    and entry.take != "count"
                    and DIMENSIONS[units[name]] != DIMENSIONS[entry.unit]
                ):
                    wrong = f"'{name}' is in {units[name] or 'plain numbers'}"
                    expected = f'unit = "{units[name]}"'
                    problems.append(Problem(f"{kind} '{entry.id}', unit", wrong, expected))
    return list(dict.fromkeys(problems))


def _repeated(
    kind: str, model: type[E], entries: Sequence[Mapping[str, Any]], unit: Unit
) -> tuple[list[E], list[Problem]]:
    assert ENTRIES[kind] is model
    made: list[E] = []
    problems: list[Problem] = []
    for number, entry in enumerate(entries, 1):
        named = entry.get("id")
        where = f"{kind} {number}" + (f" '{named}'" if isinstance(named, str) else "")
        try:
            repeat = Repeat.read(entry.get("each", ()))
            all_bindings = bindings_of(repeat, unit)
        except FileError as problem:
            if _absent(entry, unit):
                continue
            problems.append(Problem(f"{where}, each", problem.found, problem.expected or ""))
            continue
        for bindings in all_bindings:
            filled, wrong = fill_entry(entry, {**bindings, **_KEPT}, repeat, where)
            if isinstance(entry.get("seen"), dict):
                filled["seen"], unknown = _seen(entry["seen"], bindings, unit, where)
                wrong = [*wrong, *unknown]
            problems += wrong
            one, wrong = validate(model, filled, where)
            problems += wrong
            if one is not None and not _elsewhere(one, unit):
                made.append(one)
    return made, problems


def _seen(
    seen: Mapping[str, Any], bindings: Mapping[str, str], unit: Unit, where: str
) -> tuple[dict[str, Any], list[Problem]]:
    """The signs of a cause; one with a placeholder that the cause is not repeated over stands for
    all of them: what every channel shows."""
    filled: dict[str, Any] = {}
    problems: list[Problem] = []
    for key, often in seen.items():
        name = fill(key, bindings)
        try:
            every = bindings_of(Repeat.read(list(dict.fromkeys(placeholders(name)))), unit)
        except FileError as problem:
            problems.append(
                Problem(f"{where}, seen '{key}'", problem.found, problem.expected or "")
            )
            continue
        filled |= {fill(name, more): often for more in every}
    return filled, problems


def _absent(entry: Mapping[str, Any], unit: Unit) -> bool:
    """An entry over something that this unit does not have (the sides of a bridge, inputs) is
    not about it; what the unit cannot have is not wrong in the file."""
    each = entry.get("each", ())
    names = [each] if isinstance(each, str) else each
    absent = {"side": not unit.bridged, "input": not unit.inputs}
    return isinstance(names, list | tuple) and any(
        isinstance(name, str) and absent.get(name, False) for name in names
    )


def _elsewhere(entry: Strict, unit: Unit) -> bool:
    """A cause that this unit cannot have."""
    if not isinstance(entry, Cause):
        return False
    if entry.topology and unit.topology not in entry.topology:
        return True
    return bool(entry.if_unit_has) and not FEATURES[entry.if_unit_has](unit)


def _twice(found: Patterns) -> Iterator[Problem]:
    groups: Mapping[str, Iterable[Any]] = {
        "value": found.values,
        "sign": found.signs,
        "cause": found.causes,
        "section": found.sections,
    }
    for kind, entries in groups.items():
        seen: set[str] = set()
        for entry in entries:
            if entry.id in seen:
                yield Problem(f"{kind} '{entry.id}'", "the id stands twice", "each id once")
            seen.add(entry.id)


def _names(found: Patterns) -> Iterator[Problem]:
    """Arithmetic: names that exist, kinds of quantity that go together."""
    units = dict(UNIT_OF_NAME)
    for value in found.values:
        where = f"value '{value.id}'"
        if value.id in UNIT_OF_NAME:
            yield Problem(where, "is a name of the unit sheet", "another id")
        if value.of is None:
            spread = value.take == "spread" and value.unit == "°C"
            units[value.id] = "" if value.take == "count" else "K" if spread else value.unit
            continue
        kind, problem = _kind(value.of, units)
        if problem is not None:
            yield Problem(f"{where}, of", problem.found, problem.expected or "")
        units[value.id] = kind
    for sign in found.signs:
        if sign.value is None:
            continue
        where = f"sign '{sign.id}'"
        kind, problem = _kind(sign.value, units)
        if problem is not None:
            yield Problem(f"{where}, value", problem.found, problem.expected or "")
            continue
        for key, side in (("above", sign.above), ("below", sign.below)):
            if side is None:
                continue
            try:
                side.check(kind, units)
            except FileError as wrong:
                yield Problem(f"{where}, {key}", wrong.found, wrong.expected or "")


def _kind(expression: Expression, units: Mapping[str, str]) -> tuple[str, FileError | None]:
    try:
        return expression.kind(units), None
    except FileError as problem:
        return "", problem


def _references(found: Patterns, anywhere: Sequence[str]) -> Iterator[Problem]:
    """Ids that are named but not there; ``anywhere``: causes, those of other topologies too."""
    signs = [sign.id for sign in found.signs]
    sections = [section.id for section in found.sections]
    causes = [*(cause.id for cause in found.causes), *anywhere]
    for sign in found.signs:
        for other in sign.unless:
            if other not in signs or other == sign.id:
                where = f"sign '{sign.id}', unless"
                yield Problem(where, f"no other sign is called '{other}'", one_of(other, signs))
    for cause in found.causes:
        for name in cause.seen:
            if name not in signs:
                where = f"cause '{cause.id}', seen"
                yield Problem(where, f"no sign is called '{name}'", one_of(name, signs))
        if cause.section and cause.section not in sections:
            where = f"cause '{cause.id}', section"
            expected = one_of(cause.section, sections)
            yield Problem(where, f"no section is called '{cause.section}'", expected)
    for number, apart in enumerate(found.apart, 1):
        for pattern in apart.causes:
            if not any(fnmatchcase(cause, pattern) for cause in causes):
                where = f"apart {number}, causes"
                yield Problem(where, f"no cause is called '{pattern}'", one_of(pattern, causes))
