"""What a command's parameters may be, and how each turns into a Python value.

A parameter object is declared once, in a decorator. ``parse`` is pure and looks at the data
element alone, so that a repeated message need not be parsed again; whatever depends on the
instrument's present state (MIN, MAX, DEF, moving limits) comes back as a ``Deferred`` and is
worked out when the command is executed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from demo_sim.scpi.errors import ScpiError
from demo_sim.scpi.lexer import Element
from demo_sim.scpi.mnemonics import Mnemonic
from demo_sim.scpi.suffixes import scale

OVERLOAD = 9.9e37  # SCPI-99 volume 1, 7.2.1.4: infinity
NOT_A_NUMBER = 9.91e37  # 7.2.1.5

_NOT_ALLOWED = {
    "number": -128,
    "nondecimal": -128,
    "word": -148,
    "string": -158,
    "block": -168,
    "expression": -178,
}


class Call(NamedTuple):
    """What a handler is told besides its parameters.

    ``suffixes`` holds one number per ``<n>`` in the command's pattern, left to right; a suffix
    that was not sent is 1 (SCPI-99 volume 1, 6.2.5.2). ``header`` is the header as sent.
    """

    header: str
    suffixes: tuple[int, ...] = ()

    @property
    def suffix(self) -> int:
        """The first suffix; 1 when the pattern has none."""
        return self.suffixes[0] if self.suffixes else 1


Limit = float | Callable[[Any, Call], float] | None


class Deferred(NamedTuple):
    """A value that depends on the instrument's state at execution."""

    resolve: Callable[[Any, Call], object]


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """Base of all parameter kinds.

    ``optional``: may be left out (the handler then gets ``None``); only at the end.
    ``repeat``: takes all remaining elements; the handler gets a tuple.
    """

    optional: bool = False
    repeat: bool = False

    def parse(self, element: Element) -> object:
        """The value for the handler, or a ``Deferred``.

        Raises:
            ScpiError: −1xx when the kind of element does not belong here.
        """
        raise NotImplementedError

    def limit(self, word: str, device: Any, call: Call) -> float | None:
        """The value that MINIMUM, MAXIMUM or DEFAULT stands for; ``None`` when there is none."""
        return None


@dataclass(frozen=True, kw_only=True)
class Numeric(Parameter):
    """<numeric_value> (SCPI-99 volume 1, 7.2): a number with multiplier and unit, or a word.

    Args:
        unit: base unit whose suffixes are accepted: "V", "A", "OHM", "HZ", "S", "W", "K", …;
            empty: no suffix allowed (−138).
        min, max, default: floats, or functions of ``(device, call)``; they bound the value
            (−222 outside) and give MINimum, MAXimum, DEFault their meaning.
        words: further words in short/long notation ("AUTO", "INFinity"); the handler then gets
            the word's short form as ``str``, except INFinity → ``inf``, NINFinity → ``−inf``.
        integer: round to the nearest integer and hand over an ``int``.
    """

    unit: str = ""
    min: Limit = None
    max: Limit = None
    default: Limit = None
    words: tuple[str, ...] = ()
    integer: bool = False

    def __post_init__(self) -> None:
        table: dict[str, object] = {}
        for word in self.words:
            mnemonic = Mnemonic.parse(word)
            special = {"INF": math.inf, "NINF": -math.inf}.get(mnemonic.short)
            for form in (mnemonic.short, mnemonic.long):
                table[form] = mnemonic.short if special is None else special
        object.__setattr__(self, "_table", table)

    def parse(self, element: Element) -> object:
        if element.kind == "word":
            return self._word(str(element.value))
        if element.kind not in ("number", "nondecimal"):
            raise ScpiError(_NOT_ALLOWED[element.kind])
        value = element.value
        assert isinstance(value, float | int)
        if element.suffix:
            value = scale(value, element.suffix, self.unit)
        return self._bounded(value)

    def _word(self, word: str) -> object:
        table: dict[str, object] = self._table  # type: ignore[attr-defined]
        if word in table:
            return table[word]
        full = _LIMIT_WORDS.get(word)
        limit = {"MINIMUM": self.min, "MAXIMUM": self.max, "DEFAULT": self.default}.get(full or "")
        if full is None or limit is None:
            if not table and self.min is None and self.max is None and self.default is None:
                raise ScpiError(-148, word)
            raise ScpiError(-141, word)
        return Deferred(lambda device, call: self._typed(self.limit(full, device, call)))

    def _typed(self, value: float | None) -> float | int:
        assert value is not None
        if self.integer and math.isfinite(value):
            return math.floor(value + 0.5)
        return value

    def _bounded(self, value: float) -> object:
        if not math.isfinite(value):
            # More than a double holds; well formed, so an execution error and not a command error.
            return Deferred(_raise(-222))
        number = self._typed(value)
        if self.min is None and self.max is None:
            return number

        def check(device: Any, call: Call) -> float | int:
            low, high = _at(self.min, device, call), _at(self.max, device, call)
            if (low is not None and number < low) or (high is not None and number > high):
                raise ScpiError(-222, f"{number:g} outside {_show(low)} to {_show(high)}")
            return number

        if callable(self.min) or callable(self.max):
            return Deferred(check)
        try:
            return check(None, _NO_CALL)
        except ScpiError:
            return Deferred(check)

    def limit(self, word: str, device: Any, call: Call) -> float | None:
        limits = {"MINIMUM": self.min, "MAXIMUM": self.max, "DEFAULT": self.default}
        return _at(limits[word], device, call)


def Integer(  # noqa: N802 - reads as a kind of parameter, beside Numeric
    *,
    min: Limit = None,
    max: Limit = None,
    default: Limit = None,
    words: tuple[str, ...] = (),
    optional: bool = False,
    repeat: bool = False,
) -> Numeric:
    """A whole number without a unit; NRf is accepted and rounded (IEEE 488.2, 7.7.2.4)."""
    return Numeric(
        min=min,
        max=max,
        default=default,
        words=words,
        optional=optional,
        repeat=repeat,
        integer=True,
    )


@dataclass(frozen=True, kw_only=True)
class Boolean(Parameter):
    """ON, OFF, or a number that rounds to zero (off) or not (on); handler gets ``bool`` (7.3)."""

    def parse(self, element: Element) -> object:
        if element.kind == "word":
            if element.value in ("ON", "OFF"):
                return element.value == "ON"
            raise ScpiError(-141, str(element.value))
        if element.kind == "number":
            if element.suffix:
                raise ScpiError(-138, element.suffix)
            assert isinstance(element.value, float)
            return abs(element.value) >= 0.5
        if element.kind == "nondecimal":
            return bool(element.value)
        raise ScpiError(_NOT_ALLOWED[element.kind])


@dataclass(frozen=True)
class Choice(Parameter):
    """One word of a list in short/long notation; the handler gets its short form (7.1).

    ``Choice("SINusoid", "SQUare")`` gives "SIN" or "SQU". With a trailing ``<n>``
    (``Choice("CHANnel<1-4>")``) the digits are part of the answer: "CHAN2".
    A word that is not on the list is −224.
    """

    words: tuple[str, ...] = ()

    def __init__(self, *words: str, optional: bool = False, repeat: bool = False) -> None:
        object.__setattr__(self, "words", words)
        object.__setattr__(self, "optional", optional)
        object.__setattr__(self, "repeat", repeat)
        table: dict[str, str] = {}
        for word in words:
            mnemonic = Mnemonic.parse(word)
            if mnemonic.suffix is None:
                table[mnemonic.short] = table[mnemonic.long] = mnemonic.short
                continue
            low, high = mnemonic.suffix
            for n in range(low, high + 1):
                table[f"{mnemonic.short}{n}"] = f"{mnemonic.short}{n}"
                table[f"{mnemonic.long}{n}"] = f"{mnemonic.short}{n}"
        object.__setattr__(self, "_table", table)

    def parse(self, element: Element) -> object:
        if element.kind != "word":
            raise ScpiError(_NOT_ALLOWED[element.kind])
        table: dict[str, str] = self._table  # type: ignore[attr-defined]
        word = str(element.value)
        if word in table:
            return table[word]
        return Deferred(_raise(-224, word))


@dataclass(frozen=True, kw_only=True)
class String(Parameter):
    """Quoted string; the handler gets the text without quotes (IEEE 488.2, 7.7.5)."""

    longest: int = 255

    def parse(self, element: Element) -> object:
        if element.kind != "string":
            raise ScpiError(_NOT_ALLOWED[element.kind])
        text = str(element.value)
        return text if len(text) <= self.longest else Deferred(_raise(-223))


@dataclass(frozen=True, kw_only=True)
class Block(Parameter):
    """Arbitrary block, definite or indefinite; the handler gets a read-only memoryview (7.7.6)."""

    longest: int | None = None

    def parse(self, element: Element) -> object:
        if element.kind != "block":
            raise ScpiError(_NOT_ALLOWED[element.kind])
        data = element.value
        assert isinstance(data, memoryview)
        if self.longest is not None and len(data) > self.longest:
            return Deferred(_raise(-223))
        return data


@dataclass(frozen=True, kw_only=True)
class ChannelList(Parameter):
    """Channel list ``(@1,3:5)`` (SCPI-99 volume 1, 8.3.2).

    The handler gets a tuple of ints in the order sent (ranges may run downwards); with
    ``dimensions=2`` a tuple of pairs from ``(@row!column,…)``, ranges running over both.
    ``first`` and ``last`` bound every number (−222 outside).
    """

    first: int = 1
    last: int = 9999
    dimensions: int = 1

    def parse(self, element: Element) -> object:
        if element.kind != "expression":
            raise ScpiError(_NOT_ALLOWED[element.kind])
        text = "".join(str(element.value).split())
        if not text.startswith("@"):
            raise ScpiError(-171, "a channel list begins with @")
        channels: list[tuple[int, ...]] = []
        for entry in text[1:].split(","):
            found = _ENTRY.fullmatch(entry)
            if found is None:
                raise ScpiError(-171, entry[:40])
            start = tuple(int(n) for n in found.group(1).split("!"))
            stop = tuple(int(n) for n in (found.group(2) or found.group(1)).split("!"))
            if len(start) != self.dimensions or len(stop) != self.dimensions:
                raise ScpiError(-171, entry[:40])
            for n in start + stop:
                if not self.first <= n <= self.last:
                    return Deferred(_raise(-222, f"channel {n}"))
            channels.extend(_walk(start, stop))
            if len(channels) > _LONGEST_LIST:
                return Deferred(_raise(-223))
        if self.dimensions == 1:
            return tuple(channel for (channel,) in channels)
        return tuple(channels)


_ENTRY = re.compile(r"(\d{1,9}(?:!\d{1,9})*)(?::(\d{1,9}(?:!\d{1,9})*))?")
_LONGEST_LIST = 10_000  # a matrix of ten thousand crosspoints is more than any card has
_NO_CALL = Call("")
_LIMIT_WORDS = {
    "MIN": "MINIMUM",
    "MINIMUM": "MINIMUM",
    "MAX": "MAXIMUM",
    "MAXIMUM": "MAXIMUM",
    "DEF": "DEFAULT",
    "DEFAULT": "DEFAULT",
}


def limit_word(element: Element) -> str | None:
    """MINIMUM, MAXIMUM or DEFAULT when the element is one of these words."""
    return _LIMIT_WORDS.get(str(element.value)) if element.kind == "word" else None


def _walk(start: tuple[int, ...], stop: tuple[int, ...]) -> list[tuple[int, ...]]:
    """All channels from start to stop, the last dimension moving fastest."""
    size = math.prod(abs(b - a) + 1 for a, b in zip(start, stop, strict=True))
    if size > _LONGEST_LIST:
        return [start] * (_LONGEST_LIST + 1)
    walked: list[tuple[int, ...]] = [()]
    for a, b in zip(start, stop, strict=True):
        step = 1 if b >= a else -1
        walked = [(*head, n) for head in walked for n in range(a, b + step, step)]
    return walked


def _at(limit: Limit, device: Any, call: Call) -> float | None:
    return limit(device, call) if callable(limit) else limit


def _raise(number: int, detail: str = "") -> Callable[[Any, Call], object]:
    def refuse(device: Any, call: Call) -> object:
        raise ScpiError(number, detail)

    return refuse


def _show(limit: float | None) -> str:
    return "any" if limit is None else f"{limit:g}"
