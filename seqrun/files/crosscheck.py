"""What is wrong between steps: names, kinds of quantity, points, order, ids."""

from __future__ import annotations

import typing
from collections.abc import Iterable, Iterator, Mapping, Sequence
from types import UnionType
from typing import Any

from seqrun.errors import FileError
from seqrun.files.common import Problem, nearest, one_of
from seqrun.files.expression import InUnit
from seqrun.files.fields import StepFields
from seqrun.files.unit import UNIT_OF_NAME, Unit


def cross_check(steps: Sequence[StepFields], unit: Unit | None) -> list[Problem]:
    """Problems of expanded steps. Without a unit, points and ids that depend on its channels are
    left for when it is known."""
    problems: list[Problem] = []
    seen: dict[str, StepFields] = {}
    later = {step.id: step for step in steps}
    units = {n: q.unit for n, q in unit.names().items()} if unit else dict(UNIT_OF_NAME)
    for step in steps:
        where = f"step {step.number} '{step.id}'"
        if step.id in seen:
            before = seen[step.id].number
            again = f"in step {before} and again" if before != step.number else "twice in one step"
            problems.append(Problem(f"{where}, id", f"'{step.id}' stands {again}", "each id once"))
        problems += _expressions(step, where, units, later, unit is not None)
        problems += _conditions(step, where, seen, later, unit is not None)
        problems += _references(step, where, seen, later, unit is not None)
        if unit is not None:
            problems += _points(step, where, unit)
        seen.setdefault(step.id, step)
        units.setdefault(step.id, step.unit)
    return list(dict.fromkeys(problems))


def _expressions(
    step: StepFields,
    where: str,
    units: Mapping[str, str],
    later: Mapping[str, StepFields],
    strict: bool,
) -> Iterator[Problem]:
    wanted = units_of_fields(type(step))
    for key, expression in step.expressions():
        unknown = sorted(name for name in expression.names() if name not in units)
        for name in unknown:
            if name in later:
                found = f"'{name}' is a later step (or this one)"
                yield Problem(f"{where}, {key}", found, "the id of an earlier step")
            elif strict or not _may_depend_on_unit(name, later):
                yield Problem(f"{where}, {key}", f"unknown name '{name}'", one_of(name, units))
        if unknown:
            continue
        unit = wanted.get(key, "?")
        if key.startswith("limit."):
            unit = step.unit
        elif key == "settle.within":
            unit = "K" if step.unit == "°C" else step.unit
        try:
            if unit == "?":
                expression.kind(units)
            else:
                expression.check(unit, units)
        except FileError as problem:
            yield Problem(f"{where}, {key}", problem.found, problem.expected or "")


def units_of_fields(kind: type[StepFields]) -> dict[str, str]:
    """Unit of each field that is an expression with a declared unit."""
    found: dict[str, str] = {}
    for name, field in kind.model_fields.items():
        for mark in (*field.metadata, *_marks(field.annotation)):
            if isinstance(mark, InUnit):
                found[name] = mark.unit
    return found


def _marks(annotation: Any) -> Iterator[Any]:
    if typing.get_origin(annotation) is typing.Annotated:
        yield from annotation.__metadata__
        yield from _marks(annotation.__origin__)
    elif isinstance(annotation, UnionType) or typing.get_origin(annotation) is not None:
        for part in typing.get_args(annotation):
            yield from _marks(part)


def _conditions(
    step: StepFields,
    where: str,
    seen: Mapping[str, StepFields],
    later: Mapping[str, StepFields],
    strict: bool,
) -> Iterator[Problem]:
    for condition in step.only_if:
        if condition.matches(seen):
            continue
        pattern = condition.pattern
        if condition.matches(later):
            found = f"'{pattern}' is a later step (or this one)"
            yield Problem(f"{where}, only_if", found, "the id of an earlier step")
        elif strict or not _may_depend_on_unit(pattern, later):
            yield Problem(f"{where}, only_if", f"no step '{pattern}'", one_of(pattern, seen))


def _references(
    step: StepFields,
    where: str,
    seen: Mapping[str, StepFields],
    later: Mapping[str, StepFields],
    strict: bool,
) -> Iterator[Problem]:
    for key in type(step).id_fields:
        for name in _texts(getattr(step, key, None)):
            if _begins(name, seen):
                continue
            if _begins(name, later):
                found = f"'{name}' is a later step (or this one)"
                yield Problem(f"{where}, {key}", found, "the id of an earlier step")
            elif strict or not _may_depend_on_unit(name, later):
                yield Problem(f"{where}, {key}", f"no step '{name}'", one_of(name, seen))


def _begins(name: str, ids: Iterable[str]) -> bool:
    return any(i == name or i.startswith(f"{name}.") for i in ids)


def _may_depend_on_unit(name: str, ids: Iterable[str]) -> bool:
    """Whether a name with the unit's own channel in it could be one of the steps."""
    first = name.split(".")[0]
    return "." in name and nearest(first, {i.split(".")[0] for i in ids}) == first


def _points(step: StepFields, where: str, unit: Unit) -> Iterator[Problem]:
    points = unit.points()
    for key in type(step).point_fields:
        for name in _texts(getattr(step, key, None)):
            if name not in points:
                found = f"{unit.model} has no point '{name}'"
                yield Problem(f"{where}, {key}", found, one_of(name, points))


def _texts(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    return [v for v in value if isinstance(v, str)] if isinstance(value, tuple | list) else []
