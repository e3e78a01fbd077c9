"""Turns the commands of a driver file into operations that can be called.

Everything that can be worked out when the driver is read is: templates are parsed, commands of
one group are joined into the message that goes out, and the way its answer is read is chosen.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from seqrun.errors import InstrumentError, NotMeasured, UsageError
from seqrun.files.driver import Commands, Driver
from seqrun.files.operations import OPERATIONS, Operation
from seqrun.files.template import Template, Word, number
from seqrun.instruments.link import Link

NOT_A_NUMBER = 9.91e37  # SCPI-99 volume 1, 7.2.1.5: neither this nor larger is a result
INFINITE = 9.9e37
MOST_READY = 64  # messages kept ready for one operation
_TRUE = frozenset({"1", "ON", "+1", "TRUE"})
_FALSE = frozenset({"0", "OFF", "+0", "FALSE"})


class Call:
    """One operation of one instrument, ready to be called with its values.

    Args:
        commands: from the driver file.
        operation: what the role says of it.
        words: what the instrument calls values, by placeholder.
        scale: factors on values before they are sent, by placeholder.
    """

    __slots__ = (
        "_asks",
        "_bare",
        "_check",
        "_commands",
        "_convert",
        "_fixed",
        "_link",
        "_messages",
        "_name",
        "_pick",
        "_ready",
        "_scale",
        "_time_out_s",
        "kind",
    )

    def __init__(
        self,
        name: str,
        commands: Commands,
        operation: Operation,
        link: Link,
        words: Mapping[str, Mapping[str, str]],
        scale: Mapping[str, float],
    ) -> None:
        self._name = name
        self._link = link
        self._commands = commands
        self.kind = operation.answer
        self._asks = commands.templates[-1].asks
        # Blocks are followed by an error query of its own: see Link.block.
        self._check = commands.check and operation.answer != "block"
        joined = link.compose(commands.send, self._check)
        self._bare = commands.templates
        self._messages = tuple(Template(text) for text in joined)
        names = {name for template in self._bare for name in template.names}
        self._fixed = joined if not names else None
        self._convert = {name: dict(words[name]) for name in names if name in words}
        self._scale = {name: scale[name] for name in names if name in scale}
        self._pick = _picker(commands)
        self._time_out_s = commands.time_out
        self._ready: dict[tuple[tuple[str, Any], ...], tuple[str, ...]] = {}

    def messages(self, values: Mapping[str, Any]) -> tuple[str, ...]:
        """The messages as they go out, with the error query where it is appended."""
        if self._fixed is not None:
            return self._fixed
        # Polling asks the same again and again: the same output, the same channel.
        key = tuple(values.items())
        ready = self._ready.get(key)
        if ready is None:
            shown = self._shown(values)
            ready = tuple(template(shown) for template in self._messages)
            if len(self._ready) < MOST_READY and all(type(v) is int for v in values.values()):
                self._ready[key] = ready
        return ready

    def bare(self, **values: Any) -> list[str]:
        """The commands alone, to be sent together with others."""
        shown = self._shown(values)
        return [template(shown) for template in self._bare]

    def _shown(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Values as templates show them: words for those that have one, floats with few digits."""
        shown: dict[str, Any] = {}
        for name, value in values.items():
            words = self._convert.get(name)
            word = None if words is None else words.get(_key(value))
            if word is not None:
                shown[name] = Word(word)
            elif value is True or value is False:
                shown[name] = "ON" if value else "OFF"
            elif isinstance(value, float) or name in self._scale:
                shown[name] = number(value * self._scale.get(name, 1.0))
            else:
                shown[name] = value
        return shown

    def __call__(self, time_out_s: float | None = None, /, **values: Any) -> str:
        """Do it, and give the answer as text ("" for a command).

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        if time_out_s is None:
            time_out_s = self._time_out_s
        return self._link.exchange(
            self.messages(values), self._asks, check=self._check, time_out_s=time_out_s
        )

    def number(self, time_out_s: float | None = None, /, **values: Any) -> float:
        """The answer as a number.

        Raises:
            NotMeasured: the instrument says that it has no result (overload, not a number).
        """
        answer = self(time_out_s, **values)
        return self._number(answer)

    def numbers(self, time_out_s: float | None = None, /, **values: Any) -> list[float]:
        """The answer as numbers, each between separators."""
        answer = self(time_out_s, **values)
        return [self._number(part) for part in answer.split(self._commands.separator)]

    def boolean(self, **values: Any) -> bool:
        """The answer as true or false. ``match`` in the driver: true when it is found."""
        answer = self(**values)
        commands = self._commands
        if commands.match and re.compile(commands.match).groups == 0:
            return re.search(commands.match, answer) is not None
        text = self._pick(answer).strip()
        if text in commands.map:
            return bool(commands.map[text])
        if commands.bit is None:
            if text.upper() in _TRUE:
                return True
            if text.upper() in _FALSE:
                return False
        return bool(self._bit(self._plain(text, answer)))

    def block(
        self, expected_bytes: int, time_out_s: float | None = None, /, **values: Any
    ) -> memoryview:
        """The answer as the bytes of a block."""
        return self._link.block(self.messages(values), expected_bytes, time_out_s)

    def _number(self, answer: str) -> float:
        text = self._pick(answer).strip()
        commands = self._commands
        if commands.map and text in commands.map:
            return float(commands.map[text])
        value = self._plain(text, answer)
        if not -INFINITE < value < INFINITE:
            what = "overload" if abs(value) < NOT_A_NUMBER else "no number"
            raise NotMeasured(
                f"the instrument reports {what} ({text})",
                expected="a reading within its range",
                where=self._link.where,
            )
        if commands.bit is not None:
            return float(self._bit(value))
        return value * commands.scale + commands.shift

    def _bit(self, value: float) -> int:
        bit = self._commands.bit
        return int(value) if bit is None else (int(value) >> bit) & 1

    def _plain(self, text: str, answer: str) -> float:
        try:
            return float(text)
        except ValueError:
            raise InstrumentError(
                f"answered \"{answer[:80]}\" to '{self._commands.send[-1]}'",
                expected="a number",
                where=f"{self._link.where}, {self._name}",
                hint="field, match or map of that operation in the driver file tell where the "
                "number stands in the answer",
            ) from None


def _key(value: Any) -> str:
    """How a value is written as a key under [words]."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _picker(commands: Commands) -> Callable[[str], str]:
    """What takes the text that matters out of an answer; the answer itself where it is not there,
    so that the error shows what came."""
    field, separator = commands.field, commands.separator
    matcher = re.compile(commands.match) if commands.match else None
    if field is None and matcher is None:
        return _whole

    def pick(answer: str) -> str:
        text = answer
        if field is not None:
            parts = text.split(separator)
            if not -len(parts) <= field < len(parts):
                return answer
            text = parts[field]
        if matcher is not None:
            found = matcher.search(text)
            if found is None:
                return answer
            text = found.group(matcher.groups and 1)
        return text

    return pick


def _whole(answer: str) -> str:
    return answer


class Operations:
    """The operations of one instrument by name; ``ops["set_voltage"](output=1, volts=3.0)``."""

    def __init__(self, driver: Driver, link: Link) -> None:
        known = OPERATIONS[driver.role]
        self._role = driver.role
        self._where = link.where
        self._calls = {
            name: Call(name, commands, known[name], link, driver.words, driver.scale)
            for name, commands in driver.operation.items()
        }

    def __getitem__(self, name: str) -> Call:
        """An operation.

        Raises:
            UsageError: the driver file has no commands for it.
        """
        call = self._calls.get(name)
        if call is None:
            raise UsageError(
                f"the driver has no commands for '{name}'",
                expected=f"[operation] {name} in the driver file of this {self._role}",
                where=self._where,
                hint="add the commands from the instrument's programming manual",
            )
        return call

    def __contains__(self, name: str) -> bool:
        return name in self._calls
