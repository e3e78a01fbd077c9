"""What is wrong between steps: names, kinds of quantity, points, order, ids."""

from __future__ import annotations

import fnmatch
import typing
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from types import UnionType
from typing import Any

from seqrun.errors import FileError
from seqrun.files.common import Problem, one_of
from seqrun.files.expression import InUnit
from seqrun.files.sequence.fields import StepFields
from seqrun.files.unit.names import UNIT_OF_NAME
from seqrun.files.unit.sheet import Unit


@dataclass
class _InReach:
    """What a step may refer to while the steps are gone through in order."""

    units: dict[str, str]
    ids: list[str]
    broken: Sequence[str]
    strict: bool
    seen: dict[str, StepFields] = field(default_factory=dict)
    several: dict[str, list[str]] = field(default_factory=dict)

    def made(self, step: StepFields, unit: Unit | None) -> None:
        """Names that arithmetic has from now on: the step's id, and id and channel.

        A name of the unit sheet stays what it is, and so does the id of an earlier step.
        """
        self.seen.setdefault(step.id, step)
        names = [f"{step.id}.{place}" for place in places(step, unit)] if unit else []
        if len(names) > 1 and step.id not in self.units:
            self.several[step.id] = names
        for name in (step.id, *names):
            self.units.setdefault(name, step.unit)

    def kind_of(self, name: str) -> str | None:
        """The unit of a name in arithmetic; None when it is not known."""
        if name in self.units:
            return self.units[name]
        steps = [s for i, s in self.seen.items() if name.startswith(f"{i}.")]
        longest = max(steps, key=lambda s: len(s.id), default=None)
        return longest.unit if longest is not None and longest.makes == "several" else None

    def fault(self, name: str, among: Iterable[str], what: str) -> tuple[str, str] | None:
        """Found and expected for a name that is not known yet; None when it may be right."""
        if any(i == name or i.startswith(f"{name}.") for i in self.ids):
            return f"'{name}' is a later step (or this one)", "the id of an earlier step"
        if any(fnmatch.fnmatchcase(name, b) or b.startswith(f"{name}.") for b in self.broken):
            return None
        if not self.strict and self._may_depend_on_unit(name):
            return None
        return f"{what} '{name}'", one_of(name, among)

    def _may_depend_on_unit(self, name: str) -> bool:
        """Whether a name with the unit's own channel in it could be one of the steps."""
        return "." in name and name.split(".")[0] in {i.split(".")[0] for i in self.ids}


def cross_check(
    steps: Sequence[StepFields], unit: Unit | None, broken: Sequence[str] = ()
) -> list[Problem]:
    """Problems of expanded steps.

    Args:
        unit: without it, points and ids that depend on its channels are left for later.
        broken: patterns of the ids of steps that could not be made.
    """
    problems: list[Problem] = []
    units = unit.units_of_names() if unit else dict(UNIT_OF_NAME)
    known = _InReach(units, [step.id for step in steps], broken, unit is not None)
    for step in steps:
        where = f"step {step.number} '{step.id}'"
        if step.id in known.seen and not any(fnmatch.fnmatchcase(step.id, b) for b in broken):
            before = known.seen[step.id].number
            again = f"in step {before} and again" if before != step.number else "twice in one step"
            problems.append(Problem(f"{where}, id", f"'{step.id}' stands {again}", "each id once"))
        problems += _nothing_judged(step, where)
        problems += _expressions(step, where, known)
        problems += _conditions(step, where, known)
        problems += _references(step, where, known)
        if unit is not None:
            problems += _points(step, where, unit)
        known.made(step, unit)
    return list(dict.fromkeys(problems))


def _nothing_judged(step: StepFields, where: str) -> Iterator[Problem]:
    """A limit or a settling band of a step that reads nothing to hold against it."""
    if step.limit_words:
        return
    for key, there in (("limit", step.limit), ("settle", step.settle)):
        if there is not None:
            found = f"'{step.do}' reads nothing that a {key} could be about"
            yield Problem(f"{where}, {key}", found, f"no {key} here")


def _expressions(step: StepFields, where: str, known: _InReach) -> Iterator[Problem]:
    wanted = units_of_fields(type(step))
    for key, expression in step.expressions():
        units = {name: known.kind_of(name) for name in expression.names()}
        unknown = sorted(name for name, unit in units.items() if unit is None)
        for name in unknown:
            if fault := known.fault(name, known.units, "unknown name"):
                yield Problem(f"{where}, {key}", *fault)
        several = sorted(units.keys() & known.several.keys())
        for name in several:
            found = f"'{name}' stands for {len(known.several[name])} readings"
            yield Problem(f"{where}, {key}", found, " or ".join(known.several[name]))
        if unknown or several:
            continue
        kinds = {**known.units, **{name: unit for name, unit in units.items() if unit is not None}}
        unit = wanted.get(key)
        if key.startswith("limit."):
            unit = step.unit
        elif key == "settle.within":
            unit = "K" if step.unit == "°C" else step.unit
        try:
            if unit is None:
                expression.kind(kinds)
            else:
                expression.check(unit, kinds)
        except FileError as problem:
            yield Problem(f"{where}, {key}", problem.found, problem.expected or "")


def places(step: StepFields, unit: Unit) -> list[str]:
    """Channels of the readings that a step makes for its limit, as far as the files tell."""
    if step.makes == "rail":
        return list(unit.rail_names)
    if step.makes == "channel":
        return [step.bindings["channel"]] if "channel" in step.bindings else list(unit.channels)
    return []


@cache
def units_of_fields(kind: type[StepFields]) -> Mapping[str, str]:
    """Unit of each field that is an expression with a declared unit."""
    found: dict[str, str] = {}
    for name, info in kind.model_fields.items():
        for mark in (*info.metadata, *_marks(info.annotation)):
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


def _conditions(step: StepFields, where: str, known: _InReach) -> Iterator[Problem]:
    for condition in step.only_if:
        if condition.matches(known.seen):
            continue
        if condition.matches(known.ids):
            found = f"'{condition.pattern}' is a later step (or this one)"
            yield Problem(f"{where}, only_if", found, "the id of an earlier step")
        elif fault := known.fault(condition.pattern, known.seen, "no step"):
            yield Problem(f"{where}, only_if", *fault)


def _references(step: StepFields, where: str, known: _InReach) -> Iterator[Problem]:
    for key, name in step.texts((*type(step).id_fields, "stands_in_for")):
        if key == "stands_in_for" and _stood_in_for(name, known):
            continue
        if any(i == name or i.startswith(f"{name}.") for i in known.seen):
            continue
        if fault := known.fault(name, known.seen, "no step"):
            yield Problem(f"{where}, {key}", *fault)


def _stood_in_for(name: str, known: _InReach) -> bool:
    """Whether a step of that name, earlier or later, can be stood in for."""
    return any(i == name or i.startswith(f"{name}.") for i in known.ids)


def _points(step: StepFields, where: str, unit: Unit) -> Iterator[Problem]:
    points = unit.points()
    for key, name in step.texts(type(step).point_fields):
        if name not in points:
            found = f"{unit.model} has no point '{name}'"
            yield Problem(f"{where}, {key}", found, one_of(name, points))
