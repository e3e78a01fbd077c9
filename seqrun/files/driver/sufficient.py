"""Whether the commands of a driver file say enough: a level where one is set, which output is meant
where there are several, a word for each value that can come."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING

from seqrun.files.common import Problem, one_of
from seqrun.files.driver.commands import OF, Commands
from seqrun.files.driver.operations import METER_FUNCTIONS, Operation, Role
from seqrun.files.driver.template import Template, TemplateError

if TYPE_CHECKING:
    from seqrun.files.driver.file import Driver

Any1 = tuple[str, ...]  # at least one of these placeholders

_LEVEL: Any1 = ("volts_rms", "volts_pp", "volts_peak", "dbm")
_SECOND: Any1 = tuple(f"{name}_2" for name in _LEVEL)
_RELAY: Any1 = ("path", "terminal", "node")
_TIME: Any1 = ("seconds_per_division", "rate", "interval", "duration", "points")

#: what an operation cannot be done without
NEEDS: Mapping[Role, Mapping[str, tuple[Any1, ...]]] = {
    "supply": {
        "set_voltage": (("volts",),),
        "set_current_limit": (("amperes",),),
        "set_over_voltage_protection": (("volts",),),
        "enable": (("on",),),
    },
    "meter": {"read_many": (("count",),)},
    "generator": {
        "sine": (("frequency",), _LEVEL),
        "level": (_LEVEL,),
        "square": (("frequency",), _LEVEL),
        "two_tone": (("frequency",), ("frequency_2",), _LEVEL, _SECOND),
        "burst": (("frequency",), _LEVEL, ("cycles",)),
        "enable": (("on", "on_1"),),
    },
    "scope": {
        "show": (("on",),),
        "range": (("range", "volts_per_division"),),
        "coupling": (("coupling",),),
        "probe": (("probe",),),
        "timebase": (_TIME,),
        "average": (("count",),),
    },
    "switch": {"connect": (_RELAY,), "disconnect": (_RELAY,), "closed": (_RELAY,)},
    "thermometer": {},
}
#: operations in which one output or channel is meant, where there are several
OF_EACH: Mapping[Role, tuple[str, ...]] = {
    "supply": (
        "set_voltage", "set_current_limit", "voltage", "current", "set_over_voltage_protection",
        "over_voltage_protection", "set_over_current_protection", "over_current_protection",
    ),
    "generator": ("sine", "level", "zero", "square", "two_tone", "burst", "enable", "enabled"),
    "scope": ("show", "range", "coupling", "probe", "trigger"),
    "meter": (), "switch": (), "thermometer": (),
}  # fmt: skip
#: what may be sent as nothing at all, because the instrument does it by itself
_MAY_BE_NOTHING = frozenset({"show", "coupling", "timebase", "normal", "free_run", "trigger"})

_WHOLE = frozenset({"points", "count", "first", "last", "start", "cycles"})
_HEXADECIMAL = re.compile(r"(?:\s*[0-9A-Fa-f]{2})*\s*")


def sufficient(driver: Driver, known: Mapping[str, Operation]) -> Iterator[Problem]:
    """What the commands leave unsaid.

    Args:
        known: the operations of its role.
    """
    yield from _needs(driver)
    yield from _which(driver)
    yield from _words(driver, known)
    yield from _bytes(driver)
    if "?" in driver.link.clear:
        yield Problem("link.clear", f'"{driver.link.clear}" asks', "a command that is not answered")


def _names(commands: Commands, words: Mapping[str, Mapping[str, str]]) -> frozenset[str]:
    """The placeholders that it depends on, of words that are chosen by others too."""
    tables = {**words, **commands.words}
    own = commands.names | commands.read_by
    return own | {tables[name][OF] for name in own if OF in tables.get(name, ())}


def _needs(driver: Driver) -> Iterator[Problem]:
    for operation, groups in NEEDS[driver.role].items():
        commands = driver.operation.get(operation)
        if commands is None or (not commands.send and operation in _MAY_BE_NOTHING):
            continue
        has = _names(commands, driver.words)
        for group in groups:
            if not has & set(group):
                wanted = " or ".join(f"{{{name}}}" for name in group)
                yield Problem(f"operation.{operation}", f"says no {_plain(group[0])}", wanted)


def _plain(placeholder: str) -> str:
    return {"volts_rms": "level", "volts_rms_2": "second level", "path": "relay", "on": "on or off",
            "seconds_per_division": "time or rate"}.get(placeholder, placeholder)  # fmt: skip


def _which(driver: Driver) -> Iterator[Problem]:
    """Which of several outputs or channels an operation is about."""
    placeholder, many = ("channel", driver.channels) if driver.channels else (
        "output", driver.outputs
    )  # fmt: skip
    if many < 2:
        return
    found = f"does not say which of the {many} {placeholder}s is meant"
    for operation in OF_EACH[driver.role]:
        commands = driver.operation.get(operation)
        if commands is None or not commands.send or "on_1" in commands.names:
            continue
        if placeholder not in _names(commands, driver.words):
            yield Problem(f"operation.{operation}", found, f"{{{placeholder}}} in it")
    waveform = driver.operation.get("waveform")
    if waveform is not None and placeholder not in _names(waveform, driver.words):
        preamble = driver.operation.get("preamble")
        if preamble is None or placeholder not in _set_by(preamble):
            expected = f"{{{placeholder}}} in it, or in a command of 'preamble' that chooses it"
            yield Problem("operation.waveform", found, expected)


def _set_by(commands: Commands) -> set[str]:
    """Placeholders of the messages that ask nothing, so that what they set is there afterwards."""
    names: set[str] = set()
    with suppress(TemplateError):  # told by the checks
        for template in commands.templates:
            names |= set() if template.asks else set(template.names)
    return names


# --- words ---------------------------------------------------------------------------------------


def _words(driver: Driver, known: Mapping[str, Operation]) -> Iterator[Problem]:
    yield from _tables("words", driver.words, driver)
    yield from _records(driver)
    for name, commands in driver.operation.items():
        for one in (commands, *commands.also):
            yield from _tables(f"operation.{name}.words", one.words, driver)
            truth = name in known and known[name].answer == "boolean"
            if truth and one.map and one.bit is None:
                yield from _both_states(f"operation.{name}", one)


def _records(driver: Driver) -> Iterator[Problem]:
    """A record length that has no word, where the others have one."""
    timebase, scope = driver.operation.get("timebase"), driver.scope
    if timebase is None or scope is None or scope.memory != "per channel":
        return
    words = {**driver.words, **timebase.words}.get("points", {})
    for record in scope.records if words and OF not in words else ():
        if str(record) not in words:
            found = f"no word for a record of {record} points"
            yield Problem("operation.timebase.words.points", found, f'"{record}" = "…"')


def _tables(
    where: str, tables: Mapping[str, Mapping[str, str]], driver: Driver
) -> Iterator[Problem]:
    for placeholder, table in tables.items():
        if OF in table:
            continue
        place = f"{where}.{placeholder}"
        known = _known(placeholder, driver)
        for key in table:
            if known is not None and key not in known:
                yield Problem(place, f"'{key}' is no value of {placeholder}", one_of(key, known))
            elif known is None and (right := _written(placeholder, key)) != key:
                yield Problem(place, f"'{key}'", f'"{right}", as the value is written here')
        if placeholder.startswith("on") and known is not None:
            for missing in sorted({"true", "false"} - set(table)):
                yield Problem(place, f"no word for {missing}", f'{missing} = "…" beside the other')


def _known(placeholder: str, driver: Driver) -> Iterable[str] | None:
    """The values that a placeholder can have, as keys; None where they are numbers or free."""
    counted = {"output": driver.outputs, "channel": driver.channels}
    if counted.get(placeholder):
        return tuple(str(n) for n in range(1, counted[placeholder] + 1))
    if placeholder == "on" or re.fullmatch(r"on_\d", placeholder):
        return ("true", "false")
    return {"coupling": ("AC", "DC"), "function": METER_FUNCTIONS}.get(placeholder)


def _written(placeholder: str, key: str) -> str:
    """How a number is written as a key; anything else as it is."""
    try:
        value = float(key)
    except ValueError:
        return key
    if placeholder in ("terminal", "node", "path"):
        return key
    return str(int(value)) if placeholder in _WHOLE else f"{value:g}"


def _both_states(where: str, commands: Commands) -> Iterator[Problem]:
    for value, word in ((1, "true"), (0, "false")):
        if value not in commands.map.values():
            yield Problem(
                where, f"map: no word means {word}", "a word for true and one for false: what is "
                "in neither is refused",
            )  # fmt: skip


# --- bytes ---------------------------------------------------------------------------------------


def _bytes(driver: Driver) -> Iterator[Problem]:
    if driver.identity.raw and not _HEXADECIMAL.fullmatch(driver.identity.ask):
        yield Problem("identity.ask", f'"{driver.identity.ask}" is not hexadecimal', '"FF 01"')
    for name, commands in driver.operation.items():
        for one in (commands, *commands.also):
            yield from _bits(f"operation.{name}", one)
            if one.raw:
                yield from _raw(f"operation.{name}", one, driver)


def _bits(where: str, commands: Commands) -> Iterator[Problem]:
    bits = commands.bit if isinstance(commands.bit, tuple) else (commands.bit,)
    highest = max((bit for bit in bits if bit is not None), default=None)
    if highest is None:
        return
    if commands.kind == "si":
        yield Problem(where, "'bit' of a number with a unit", 'as = "number", "hex" or "byte"')
    if commands.kind == "byte" and commands.length and highest >= 8 * commands.length:
        found = f"bit {highest} of {commands.length} byte{'s' * (commands.length > 1)}"
        yield Problem(where, found, f"0 to {8 * commands.length - 1}")


def _raw(where: str, commands: Commands, driver: Driver) -> Iterator[Problem]:
    tables = {**driver.words, **commands.words}
    for text in commands.send:
        try:
            names = Template(text).names
        except TemplateError:
            return  # told by the checks
        plain = re.sub(r"\{[^}]*\}", "", text)
        if not _HEXADECIMAL.fullmatch(plain) and re.fullmatch(r"[0-9A-Fa-f\s]*", plain):
            yield Problem(where, f'"{text}": half a byte', 'two digits each, as in "A0 01"')
        for name in names:
            for key, word in tables.get(name, {}).items():
                if key != OF and not _HEXADECIMAL.fullmatch(word):
                    found = f"the word \"{word}\" for '{key}' is not hexadecimal"
                    yield Problem(f"{where}.words.{name}", found, 'bytes such as "01 A2"')
