"""Turns the commands of a driver file into operations that can be called.

Everything that can be worked out when the driver is read is: templates are parsed, commands of
one group are joined into the message that goes out, and the way its answer is read is chosen.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any

from seqrun.errors import SeqrunError, UsageError
from seqrun.files.driver.checks import operations_of
from seqrun.files.driver.commands import OF, PLACE
from seqrun.files.driver.file import Commands, Driver
from seqrun.files.driver.operations import Operation
from seqrun.files.driver.template import Template, Word, number
from seqrun.instruments.answers import Answer
from seqrun.instruments.link import Form, Link
from seqrun.instruments.wire import Message

MOST_READY = 64  # messages kept ready for one operation


class Call:
    """One operation of one instrument, ready to be called with its values.

    Args:
        commands: from the driver file.
        operation: what the role says of it.
        words: what the instrument calls values, by placeholder.
        scale: factors on values before they are sent, by placeholder.
    """

    __slots__ = (
        "_after", "_also", "_answers", "_asks", "_bare", "_check", "_combine", "_commands",
        "_convert", "_derived", "_fixed", "_form", "_link", "_messages", "_pause", "_ready",
        "_scale", "_time_out_s", "_where", "kind", "names",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        commands: Commands,
        operation: Operation,
        link: Link,
        words: Mapping[str, Mapping[str, str]],
        scale: Mapping[str, float],
    ) -> None:
        self._link = link
        self._commands = commands
        self.kind = operation.answer
        self._asks = commands.answered
        # Blocks are followed by an error query of its own: see Link.block.
        self._check = commands.check and operation.answer != "block"
        self._bare = commands.templates
        self._after = tuple(Template(text) for text in commands.after)
        joined = commands.send if commands.raw else link.compose(commands.send, self._check)
        self._messages = tuple(Template(text) for text in joined)
        own = {t.names for t in (*self._bare, *self._after)}
        names = {name for group in own for name in group}
        self._fixed: tuple[Message, ...] | None = None
        self._convert = {
            name: {**words.get(name, {}), **commands.words.get(name, {})}
            for name in {*names, *PLACE.findall(commands.match)}
            if name in words or name in commands.words
        }
        self._derived = {name: table[OF] for name, table in self._convert.items() if OF in table}
        factors = {**scale, **commands.factor}
        self._scale = {name: factors[name] for name in names if name in factors}
        self._where = f"{link.where}, {name}"
        self._answers: dict[tuple[tuple[str, Any], ...], Answer] = {}
        if not commands.varies:
            self._answers[()] = Answer(commands, link.manners.headers, self._where)
        self._form = Form(commands.length, commands.acknowledge)
        self._pause = commands.pause
        self._time_out_s = commands.time_out
        self._ready: dict[tuple[tuple[str, Any], ...], tuple[Message, ...]] = {}
        self._also = tuple(Call(name, one, operation, link, words, scale) for one in commands.also)
        self._combine = all if commands.combine == "and" else any
        names = (names - self._derived.keys()) | set(self._derived.values())
        if not names and not commands.raw:
            self._fixed = tuple(t({}) for t in self._messages)
        further = (one.names for one in self._also)
        self.names: frozenset[str] = frozenset(names.union(commands.read_by, *further))

    def messages(self, values: Mapping[str, Any]) -> tuple[Message, ...]:
        """The messages as they go out, with the error query where it is appended."""
        if self._fixed is not None:
            return self._fixed
        # Polling asks the same again and again: the same output, the same channel.
        key = tuple(values.items())
        ready = self._ready.get(key)
        if ready is None:
            ready = tuple(self._rendered(t, values) for t in self._messages)
            if len(self._ready) < MOST_READY and all(type(v) is int for v in values.values()):
                self._ready[key] = ready
        return ready

    def _rendered(self, template: Template, values: Mapping[str, Any]) -> Message:
        text = template(self._shown(values))
        return bytes.fromhex(text) if self._commands.raw else text

    def bare(self, **values: Any) -> list[str]:
        """The commands alone, to be sent together with others."""
        shown = self._shown(values)
        return [template(shown) for template in self._bare]

    @property
    def joinable(self) -> bool:
        """Whether its commands may go out together with those of other operations."""
        c = self._commands
        return not (c.raw or c.after or c.acknowledge is not None or c.pause or self._asks)

    def _shown(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Values as templates show them: words for those that have one, floats with few digits."""
        shown: dict[str, Any] = {
            name: Word(self._convert[name][_key(values[of])]) for name, of in self._derived.items()
        }
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

    def _read_as(self, values: Mapping[str, Any]) -> Answer:
        """How the answer is read: of one output's own bit or character, where these differ."""
        key = tuple(values.items()) if self._commands.varies else ()
        found = self._answers.get(key)
        if found is None:
            shown = {name: str(value) for name, value in self._shown(values).items()}
            its = self._commands.of(int(values.get("output", 1)), shown)
            found = self._answers[key] = Answer(its, self._link.manners.headers, self._where)
        return found

    def __call__(self, time_out_s: float | None = None, /, **values: Any) -> str:
        """Do it, and give the answer as text ("" for a command).

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        if time_out_s is None:
            time_out_s = self._time_out_s
        if not self._messages:
            return self._link.overheard(time_out_s) if self._asks else ""
        if not (self._after or self._pause):
            return self._link.exchange(
                self.messages(values), self._asks, check=self._check, time_out_s=time_out_s,
                form=self._form,
            )  # fmt: skip
        with self._followed(values):
            return self._link.exchange(
                self.messages(values), self._asks, check=self._check, time_out_s=time_out_s,
                form=self._form,
            )  # fmt: skip

    @contextmanager
    def _followed(self, values: Mapping[str, Any]) -> Iterator[None]:
        """What has to follow follows, also when the answer did not come."""
        try:
            yield
        except SeqrunError:
            with suppress(SeqrunError):  # the first error is the cause, and is on its way
                self._finish(values)
            raise
        self._finish(values)

    def _finish(self, values: Mapping[str, Any]) -> None:
        if self._after:
            texts = [template(self._shown(values)) for template in self._after]
            messages = self._link.compose(texts, self._commands.check)
            self._link.exchange(messages, False, check=self._commands.check)
        if self._pause:
            self._link.wire.hold(self._pause)

    def urgently(self) -> None:
        """Send it whatever state the link is in; for operations without values."""
        if self._messages:
            self._link.urgent(self.messages({}), self._form)

    def number(self, time_out_s: float | None = None, /, **values: Any) -> float:
        """The answer as a number.

        Raises:
            NotMeasured: the instrument says that it has no result (overload, not a number).
        """
        return self._read_as(values).number(self(time_out_s, **values))

    def numbers(self, time_out_s: float | None = None, /, **values: Any) -> list[float]:
        """The answer as numbers, each between separators."""
        return self._read_as(values).numbers(self(time_out_s, **values))

    def boolean(self, **values: Any) -> bool:
        """The answer as true or false; of several questions, all are asked."""
        first = self._read_as(values).boolean(self(**values))
        if not self._also:
            return first
        return self._combine([first, *(one.boolean(**values) for one in self._also)])

    def block(
        self, expected_bytes: int, time_out_s: float | None = None, /, **values: Any
    ) -> memoryview:
        """The answer as the bytes of a block."""
        commands = self._commands
        with self._followed(values):
            return self._link.block(
                self.messages(values), expected_bytes, time_out_s or self._time_out_s,
                header=commands.header, block_end=commands.block_end,
            )  # fmt: skip


def _key(value: Any) -> str:
    """How a value is written as a key under [words]."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


class Operations:
    """The operations of one instrument by name; ``ops["set_voltage"](output=1, volts=3.0)``."""

    def __init__(self, driver: Driver, link: Link) -> None:
        known = operations_of(driver)
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
