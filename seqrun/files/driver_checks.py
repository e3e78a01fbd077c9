"""What must hold between the keys of a driver file."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from seqrun.files.common import Problem, one_of
from seqrun.files.operations import (
    ACCURACY,
    METER_FUNCTIONS,
    OPERATIONS,
    PREAMBLE,
    REQUIRED_ACCURACY,
    Operation,
)
from seqrun.files.template import Template, TemplateError

if TYPE_CHECKING:
    from seqrun.files.driver import Commands, Driver

_OWN_TABLES = ("supply", "meter", "scope", "generator")


def problems(driver: Driver) -> Iterator[Problem]:
    """What does not fit between the keys of a driver file, and to its role."""
    yield from _operations(driver)
    yield from _settings(driver)
    yield from _words(driver)
    yield from _accuracy(driver)


def _operations(driver: Driver) -> Iterator[Problem]:
    known = OPERATIONS[driver.role]
    for name, commands in driver.operation.items():
        where = f"operation.{name}"
        if name not in known:
            yield Problem(where, f"a {driver.role} has no operation '{name}'", one_of(name, known))
            continue
        try:
            templates = commands.templates
        except TemplateError as problem:
            yield Problem(where, f"the command {problem}", 'one such as "VOLT {volts}"')
            continue
        for template in templates:
            for placeholder in template.names:
                if placeholder not in known[name].placeholders:
                    allowed = known[name].placeholders
                    yield Problem(
                        where,
                        f"unknown placeholder '{{{placeholder}}}' in \"{template.text}\"",
                        one_of(placeholder, allowed) if allowed else "none in this operation",
                    )
        yield from _answer(where, known[name], commands, templates)
    for name, operation in known.items():
        if operation.required and name not in driver.operation:
            about = f" ({operation.about})" if operation.about else ""
            yield Problem(
                "operation", f"the operation '{name}' is missing", f"the commands for it{about}"
            )
    if driver.role == "meter" and not _configured(driver):
        yield Problem(
            "operation",
            "no function can be configured",
            "at least one of " + ", ".join(f"configure_{name}" for name in METER_FUNCTIONS),
        )


def _answer(
    where: str, operation: Operation, commands: Commands, templates: tuple[Template, ...]
) -> Iterator[Problem]:
    asking = [template for template in templates if template.asks]
    if operation.answer and not (asking and templates[-1] is asking[-1]):
        yield Problem(where, "does not end with a query", 'a last message such as "MEAS:VOLT?"')
    if len(asking) > 1:
        yield Problem(where, "asks in several messages", "one query, in the last message")
    if commands.match and re.compile(commands.match).groups > 1:
        yield Problem(where, "match has several groups", "one group, around the value")
    if not operation.answer or operation.answer in ("block", "text"):
        used = commands.model_fields_set & {"field", "match", "scale", "shift", "map", "bit"}
        for key in sorted(used):
            yield Problem(where, f"'{key}' has no use here", "an operation that yields a number")


def _configured(driver: Driver) -> list[str]:
    return [name for name in METER_FUNCTIONS if f"configure_{name}" in driver.operation]


def _settings(driver: Driver) -> Iterator[Problem]:
    for table in _OWN_TABLES:
        given = getattr(driver, table) is not None
        if given and table != driver.role:
            yield Problem(table, f"the role is {driver.role}", f"no [{table}] table")
        if table == driver.role and not given and table != "meter":
            yield Problem(table, f"the table [{table}] is missing", "what the instrument has")
    scope = driver.scope
    if driver.role != "scope" or scope is None:
        return
    for field in ("xincrement", "yincrement"):
        if field not in scope.preamble:
            yield Problem("scope.preamble", f"has no '{field}'", "its place among the fields")
    for number, field in enumerate(scope.preamble, 1):
        if field not in PREAMBLE:
            yield Problem(
                f"scope.preamble {number}", f"unknown field '{field}'", one_of(field, PREAMBLE)
            )
    if len(set(scope.ranges)) != len(scope.ranges) or min(scope.ranges) <= 0.0:
        yield Problem("scope.ranges", "one is not positive, or stands twice", "each range once")
    # A code that no sample can have would mean that clipping is never seen.
    bits = int(scope.sample.removeprefix("u").removeprefix("int"))
    first, last = (
        (0, 2**bits - 1) if scope.sample[0] == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    )
    if not first <= scope.lowest < scope.highest <= last:
        yield Problem(
            "scope.highest",
            f"codes {scope.lowest} to {scope.highest} in samples of {scope.sample}",
            f"lowest below highest, both within {first} to {last}",
        )
    if scope.code_bits > bits:
        yield Problem("scope.code_bits", f"{scope.code_bits}", f"at most {bits}, as in the samples")


def _words(driver: Driver) -> Iterator[Problem]:
    known = sorted({p for o in OPERATIONS[driver.role].values() for p in o.placeholders})
    for table, names in (("words", driver.words), ("scale", driver.scale)):
        for placeholder in names:
            if placeholder not in known:
                yield Problem(
                    table, f"unknown placeholder '{placeholder}'", one_of(placeholder, known)
                )


def _accuracy(driver: Driver) -> Iterator[Problem]:
    known = ACCURACY[driver.role]
    seen: set[tuple[str, float | None]] = set()
    for number, row in enumerate(driver.accuracy, 1):
        where = f"accuracy {number}"
        if row.function not in known:
            yield Problem(
                where, f"a {driver.role} has no function '{row.function}'",
                one_of(row.function, known),
            )  # fmt: skip
        if (row.function, row.range) in seen:
            yield Problem(where, f"{row.function} on this range stands twice", "each range once")
        seen.add((row.function, row.range))
    wanted = REQUIRED_ACCURACY[driver.role] or (
        tuple(_configured(driver)) if driver.role == "meter" else ()
    )
    for function in wanted:
        if not any(row.function == function for row in driver.accuracy):
            yield Problem(
                "accuracy",
                f"nothing is said about {function}",
                "an [[accuracy]] entry from the data sheet: without it a reading has no "
                "uncertainty",
            )
    for function in wanted if driver.role == "meter" else ():
        if any(row.function == function and row.range is None for row in driver.accuracy):
            yield Problem("accuracy", f"{function} has no range", "the full scale of each range")
