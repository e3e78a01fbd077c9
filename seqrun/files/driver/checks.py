"""What must hold between the keys of a driver file."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from seqrun.files import regular
from seqrun.files.common import Problem, one_of
from seqrun.files.driver.commands import OF, PLACE
from seqrun.files.driver.operations import (
    ACCURACY,
    AT_THE_LIMIT,
    DESCRIBED,
    METER_FUNCTIONS,
    OPERATIONS,
    REQUIRED_ACCURACY,
    Operation,
)
from seqrun.files.driver.scope_checks import scope_problems
from seqrun.files.driver.sufficient import sufficient
from seqrun.files.driver.template import Template, TemplateError

if TYPE_CHECKING:
    from seqrun.files.driver.commands import Commands
    from seqrun.files.driver.file import Driver

_OWN_TABLES = ("supply", "meter", "scope", "generator")
_NUMERIC = {
    "field", "match", "character", "map", "kind", "bit", "invert", "scale", "shift", "separator",
}  # fmt: skip
_SHOWN_AS = {"kind": "as"}


def operations_of(driver: Driver) -> Mapping[str, Operation]:
    """The operations of the driver's role, as its own tables make them."""
    known = OPERATIONS[driver.role]
    if driver.supply is not None and driver.supply.over_current == "at the limit":
        return {**known, **AT_THE_LIMIT}
    if driver.scope is not None and driver.scope.descriptor:
        return {**known, **DESCRIBED}
    return known


def problems(driver: Driver) -> Iterator[Problem]:
    """What does not fit between the keys of a driver file, and to its role."""
    if driver.sound is not None:
        yield from _sound(driver)
    elif driver.remote:
        yield from _remote(driver)
        yield from _operations(driver)
        yield from sufficient(driver, operations_of(driver))
        yield from _absent(driver)
    else:
        yield from _by_hand(driver)
    yield from _settings(driver)
    yield from _link(driver)
    yield from _words(driver)
    yield from _accuracy(driver)
    yield from _covered(driver)
    yield from _watched(driver)


def _remote(driver: Driver) -> Iterator[Problem]:
    mute = driver.identity.tells == "nothing"
    for key in ("idn", "operation"):
        if key not in driver.model_fields_set and not (mute and key == "idn"):
            yield Problem(
                "", f"'{key}' is missing", "remote = false for an instrument that has no interface"
            )
    if mute and (driver.idn or driver.identity.model_fields_set != {"tells"}):
        yield Problem(
            "identity", 'tells = "nothing", beside what is asked or answered',
            "no idn, and no other key under [identity]",
        )  # fmt: skip


def _by_hand(driver: Driver) -> Iterator[Problem]:
    """Keys that say how to speak to an instrument that cannot be spoken to."""
    for key in ("idn", "identity", "link", "words", "scale", "operation"):
        if key in driver.model_fields_set:
            yield Problem(key, "beside remote = false", "nothing: nothing is ever sent to it")
    if driver.role == "switch":
        yield Problem("role", "a switch without a remote interface", "hands need no driver")
    if not driver.accuracy:
        yield Problem(
            "accuracy", "nothing is said about what it reads", "an [[accuracy]] entry per range"
        )


def _sound(driver: Driver) -> Iterator[Problem]:
    """A sound interface is played and recorded, never spoken to."""
    for key in ("idn", "identity", "link", "words", "scale", "operation"):
        if key in driver.model_fields_set:
            yield Problem(key, "beside sound", "nothing: no message is ever sent to it")
    if not driver.remote:
        yield Problem("remote", "false, beside sound", "one of the two")
    if driver.role not in ("generator", "scope"):
        yield Problem("role", f"a sound interface as {driver.role}", "generator or scope")
    if driver.scope is not None and len(driver.scope.ranges) != 1:
        yield Problem("scope.ranges", f"{len(driver.scope.ranges)} of them", "the one that it has")


# --- operations ----------------------------------------------------------------------------------


def _operations(driver: Driver) -> Iterator[Problem]:
    known = operations_of(driver)
    for name, commands in driver.operation.items():
        where = f"operation.{name}"
        if name not in known:
            yield Problem(where, f"a {driver.role} has no operation '{name}'", one_of(name, known))
            continue
        for number, one in enumerate((commands, *commands.also)):
            place = f"{where} {number + 1}" if commands.also else where
            yield from _messages(place, known[name], one, driver)
        yield from _several(where, known[name], commands)
    missing = [n for n, o in known.items() if o.required and not o.absent]
    for name in missing:
        if name not in driver.operation:
            about = f" ({known[name].about})" if known[name].about else ""
            yield Problem(
                "operation", f"the operation '{name}' is missing", f"the commands for it{about}"
            )
    if driver.role == "meter" and not _configured(driver):
        yield Problem(
            "operation",
            "no function can be configured",
            "at least one of " + ", ".join(f"configure_{name}" for name in METER_FUNCTIONS),
        )


def _messages(
    where: str, operation: Operation, commands: Commands, driver: Driver
) -> Iterator[Problem]:
    try:
        templates = commands.templates
        after = tuple(Template(text) for text in commands.after)
    except TemplateError as problem:
        yield Problem(where, f"the command {problem}", 'one such as "VOLT {volts}"')
        return
    made = {
        name: table[OF] for name, table in {**driver.words, **commands.words}.items() if OF in table
    }
    for name, of in made.items():
        if of not in operation.placeholders and name in commands.names:
            yield Problem(
                f"{where}, words.{name}", f'of = "{of}"', one_of(of, operation.placeholders)
            )
    for template in (*templates, *after):
        for placeholder in template.names:
            if placeholder not in operation.placeholders and placeholder not in made:
                allowed = operation.placeholders
                yield Problem(
                    where,
                    f"unknown placeholder '{{{placeholder}}}' in \"{template.text}\"",
                    one_of(placeholder, allowed) if allowed else "none in this operation",
                )
        if commands.raw:
            yield from _hexadecimal(where, template)
    for table, names in (("words", commands.words), ("factor", commands.factor)):
        for placeholder in names:
            if placeholder not in operation.placeholders and placeholder not in made:
                yield Problem(
                    f"{where}.{table}",
                    f"unknown placeholder '{placeholder}'",
                    one_of(placeholder, operation.placeholders),
                )
    yield from _answer(
        where, operation, commands, templates, driver.outputs, driver.link.error_check
    )
    if driver.link.read_termination == "" and driver.link.answer_ends == "terminator":
        answered = commands.answered or bool(operation.answer and operation.answer != "block")
        if answered and commands.length is None:
            yield Problem(
                where,
                "its answer has no terminator and no known length",
                'length = BYTES here, or answer_ends = "silence" under [link]',
            )


def _hexadecimal(where: str, template: Template) -> Iterator[Problem]:
    plain = re.sub(r"\{[^}]*\}", "", template.text)
    if re.fullmatch(r"[0-9A-Fa-f\s]*", plain) is None:
        yield Problem(
            where, f'"{template.text}" is not hexadecimal', 'bytes such as "A0 01 {output:02x} A2"'
        )


def _answer(
    where: str,
    operation: Operation,
    commands: Commands,
    templates: tuple[Template, ...],
    outputs: int,
    error_check: str,
) -> Iterator[Problem]:
    asking = [template for template in templates if template.asks and not commands.raw]
    answered = commands.answered
    if operation.answer and not answered:
        expected = 'a last message such as "MEAS:VOLT?", or asks = true where it has no "?"'
        yield Problem(where, "does not end with a query", expected)
    by_itself = bool(operation.answer) and not commands.send and answered
    if by_itself and (
        operation.answer == "block" or commands.length is not None or error_check != "none"
    ):
        found = "nothing is sent, and an answer comes: it speaks by itself"
        expected = 'lines or bursts (no length, no block), and error_check = "none"'
        yield Problem(where, found, expected)
    if len(asking) > 1 or (asking and commands.asks is None and templates[-1] is not asking[-1]):
        yield Problem(where, "asks in several messages", "one query, in the last message")
    if commands.match and regular.compiled(commands.match).groups > 1:
        yield Problem(where, "match has several groups", "one group, around the value")
    given = commands.model_fields_set
    if operation.answer in ("", "block", "text"):
        for key in sorted(given & _NUMERIC):
            if key in ("field", "match", "separator") and operation.answer == "text":
                continue
            shown = _SHOWN_AS.get(key, key)
            yield Problem(where, f"'{shown}' has no use here", "an operation that yields a number")
    if operation.answer != "block":
        for key in sorted(given & {"header", "block_end"}):
            yield Problem(where, f"'{key}' has no use here", "an operation that yields a block")
    if operation.answer in ("number", "numbers") and commands.invert and commands.bit is None:
        yield Problem(where, "'invert' has no use here", "an operation that is true or false")
    for key, listed in (("bit", commands.bit), ("character", commands.character)):
        if isinstance(listed, tuple) and len(listed) != outputs:
            found = f"{key} is a list of {len(listed)}, and there are {outputs} outputs"
            yield Problem(where, found, "one of each output, or one number for all")
    for placeholder in PLACE.findall(commands.match):
        if placeholder not in operation.placeholders:
            found = f"unknown placeholder '{{{placeholder}}}' in match"
            yield Problem(where, found, one_of(placeholder, operation.placeholders))
    if operation.answer and answered:
        yield from _possible(where, operation, commands)


def _possible(where: str, operation: Operation, commands: Commands) -> Iterator[Problem]:
    """Keys that no answer can satisfy together."""
    if commands.kind == "byte" and (commands.map or commands.match or commands.field is not None):
        yield Problem(where, 'as = "byte" beside a key that takes text apart', "one of the two")
    if commands.bit is not None and commands.map:
        yield Problem(where, "'bit' and 'map' together", "one of the two")
    if commands.kind == "byte" and commands.length is None:
        yield Problem(where, 'as = "byte" without length', "how many bytes the answer has")
    if commands.length is not None and operation.answer == "block":
        yield Problem(where, "'length' has no use here", "the block says its own length")
    if operation.answer == "numbers" and commands.length is not None:
        yield Problem(where, "several numbers of a fixed length", "separator between them")
    if operation.answer == "boolean" and commands.map:
        for word, value in commands.map.items():
            if value not in (0, 1):
                yield Problem(where, f"map: '{word}' is {value}", "true or false")
    if operation.answer in ("number", "numbers"):
        for word, value in commands.map.items():
            if isinstance(value, bool):
                yield Problem(where, f"map: '{word}' is {str(value).lower()}", "a number")
    if commands.scale == 0.0:
        yield Problem(where, "scale is 0", "a factor on the number")


def _several(where: str, operation: Operation, commands: Commands) -> Iterator[Problem]:
    if not commands.also:
        return
    if operation.answer != "boolean":
        yield Problem(where, "is a list of questions", "one table: it is not true or false")
    if len({one.combine for one in (commands, *commands.also)}) > 1:
        yield Problem(where, "'combine' differs among its questions", '"and" in all, or in none')
    if any(one.also for one in commands.also):
        yield Problem(where, "a list within a list", "a plain list of tables")


def _absent(driver: Driver) -> Iterator[Problem]:
    """What a supply does not have is said; what is said is true."""
    if driver.supply is None:
        return
    for name, operation in operations_of(driver).items():
        if not operation.absent:
            continue
        stated = operation.absent in driver.supply.absent
        if name in driver.operation and stated:
            yield Problem("supply.absent", f"'{operation.absent}' is absent, and '{name}' has "
                          "commands", "one of the two")  # fmt: skip
        if name not in driver.operation and not stated:
            about = f" ({operation.about})" if operation.about else ""
            yield Problem(
                "operation",
                f"the operation '{name}' is missing",
                f'the commands for it{about}, or absent = ["{operation.absent}"] under [supply]',
            )
    level = driver.operation.get("set_over_current_protection")
    if driver.supply.over_current == "level" and level is not None and "amperes" not in level.names:
        yield Problem(
            "operation.set_over_current_protection",
            "sets no level",
            '{amperes} in it, or over_current = "at the limit" under [supply]',
        )
    for key in ("volts", "amperes"):
        given = getattr(driver.supply, key)
        if given and len(given) != driver.supply.outputs:
            yield Problem(
                f"supply.{key}", f"{len(given)} values", f"{driver.supply.outputs}, one an output"
            )


def _configured(driver: Driver) -> list[str]:
    return [name for name in METER_FUNCTIONS if f"configure_{name}" in driver.operation]


# --- tables --------------------------------------------------------------------------------------


def _settings(driver: Driver) -> Iterator[Problem]:
    for table in _OWN_TABLES:
        given = getattr(driver, table) is not None
        if given and table != driver.role:
            yield Problem(table, f"the role is {driver.role}", f"no [{table}] table")
        if table == driver.role and not given and table != "meter":
            yield Problem(table, f"the table [{table}] is missing", "what the instrument has")
    if driver.role == "scope" and driver.scope is not None and driver.remote and not driver.sound:
        yield from scope_problems(driver, driver.scope)


def _link(driver: Driver) -> Iterator[Problem]:
    link = driver.link
    if link.error_check != "none" and not link.error_query:
        yield Problem("link.error_query", "is empty", 'error_check = "none"')
    if link.error_check == "appended" and link.acknowledge:
        yield Problem(
            "link.error_check",
            '"appended", and writes are acknowledged',
            'error_check = "separate" or "none": an acknowledged write is a message of its own',
        )
    if link.error_check == "appended" and any(c.raw for c in driver.operation.values()):
        yield Problem(
            "link.error_check", '"appended", and bytes are sent raw', '"separate" or "none"'
        )
    if link.acknowledged != "writes" and not link.acknowledge:
        yield Problem("link.acknowledged", f'"{link.acknowledged}" alone', "acknowledge, beside it")
    endless = not link.read_termination and link.answer_ends == "terminator"
    if driver.identity.length is None and endless and driver.identity.tells != "nothing":
        yield Problem(
            "identity",
            "its answer has no terminator and no known length",
            'length under [identity], or answer_ends = "silence" under [link]',
        )


def _words(driver: Driver) -> Iterator[Problem]:
    known = sorted({p for o in OPERATIONS[driver.role].values() for p in o.placeholders})
    for table, names in (("words", driver.words), ("scale", driver.scale)):
        for placeholder in names:
            if placeholder not in known and OF not in driver.words.get(placeholder, ()):
                yield Problem(
                    table, f"unknown placeholder '{placeholder}'", one_of(placeholder, known)
                )


# --- accuracy ------------------------------------------------------------------------------------


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
    if driver.accuracy_of is not None and driver.data_sheet is not None:
        yield Problem("accuracy_of", "beside [data_sheet]", "one of the two")
    wanted = REQUIRED_ACCURACY[driver.role] or (
        tuple(_configured(driver)) if driver.role == "meter" else ()
    )
    for function in wanted:
        if not any(row.function == function for row in driver.accuracy):
            yield Problem(
                "accuracy",
                f"nothing is said about {function}",
                "an [[accuracy]] entry from the data sheet, or unknown = true: without it a "
                "reading has no uncertainty",
            )
    for function in wanted if driver.role == "meter" else ():
        if any(row.function == function and row.range is None for row in driver.accuracy):
            yield Problem("accuracy", f"{function} has no range", "the full scale of each range")


def _watched(driver: Driver) -> Iterator[Problem]:
    """A supply is watched by its read-back: rails that rise, sag and are discharged. Without any
    figure for it nothing can be said of them."""
    if driver.role != "supply":
        return
    for row in driver.accuracy:
        if row.unknown and row.function in ("readback_voltage", "readback_current"):
            yield Problem(
                f"accuracy, {row.function}", "unknown = true",
                "a figure, wide enough, marked unverified = true: the rails are watched by it",
            )  # fmt: skip


def _covered(driver: Driver) -> Iterator[Problem]:
    """Ranges that the instrument is said to have and no accuracy row covers."""
    largest = {name: rows[-1].range for name, rows in driver.rows.items()}
    reach: list[tuple[str, str, float]] = []
    if driver.supply is not None:
        for key, function in (("volts", "readback_voltage"), ("amperes", "readback_current")):
            reach += [(f"supply.{key}", function, top) for top in getattr(driver.supply, key)]
    if driver.generator is not None and driver.generator.most_level is not None:
        reach.append(("generator.most_level", "level", driver.generator.most_level))
    if driver.scope is not None:
        reach += [("scope.ranges", "voltage", top) for top in driver.scope.ranges]
    for where, function, top in reach:
        full = largest.get(function)
        if full is not None and top > full * (1.0 + 1e-9):
            yield Problem(
                where,
                f"{top:g} is beyond the largest {function} range, {full:g}",
                "an [[accuracy]] row that covers it",
            )
    if driver.role != "meter":
        return
    words = driver.words.get("range", {})
    for function in _configured(driver):
        commands = driver.operation[f"configure_{function}"]
        own = {**words, **commands.words.get("range", {})}
        if "range" not in commands.names or set(own) <= {"auto"}:
            continue
        for row in driver.rows.get(function, ()):
            if row.range is not None and f"{row.range:g}" not in own:
                yield Problem(
                    f"operation.configure_{function}",
                    f"[words.range] has no word for the range {row.range:g}",
                    f'"{row.range:g}" = "…" beside the others',
                )
