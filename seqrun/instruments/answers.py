"""What an answer means: from the text that came to a number, a truth value, or several numbers.

The order is that of ``drivers/README.md``: header, field, match, character, map or ``as``, bit,
invert, scale and shift.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import NoReturn

from seqrun.errors import InstrumentError, NoResult
from seqrun.files import regular
from seqrun.files.driver.commands import Commands
from seqrun.values import SCPI_INFINITY, SCPI_NOT_A_NUMBER

_TRUE = frozenset({"1", "ON", "+1", "TRUE"})
_FALSE = frozenset({"0", "OFF", "+0", "FALSE"})
_HEADER = re.compile(r"^\s*[:*]?[A-Za-z][\w:*?]*\s+")
_NUMBER = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")
_PREFIXES = {"T": 1e12, "G": 1e9, "M": 1e6, "k": 1e3, "K": 1e3, "m": 1e-3, "u": 1e-6, "U": 1e-6,
             "µ": 1e-6, "μ": 1e-6, "n": 1e-9, "N": 1e-9, "p": 1e-12, "P": 1e-12}  # fmt: skip
#: a unit with what displays put on it: "VDC", "V AC", "Vpp", "V/div", "Sa/s", "V/LSB"
_UNIT = re.compile(
    r"(?:(?:(?:[ad]c ?)?(?:v|a|w|s|sa|hz|pts?|points?|samples?|ohms?|ω|db[mvu]?|deg|°|%|°? ?c))"
    r"(?: ?(?:[ad]c(?:\+dc)?|pp|p-p|pk|p|rms))?"
    r"(?:/(?:div|s|sa|sample|pt|point|lsb|bit|code|count|level))?)?",
    re.IGNORECASE,
)
#: of these a capital M is milli (IEEE 488.2-1992, 7.7.3, suffix multipliers: M is 1E-3, but for HZ
#: and OHM): no bench has megavolts
_SMALL = re.compile(r"(?:[ad]c ?)?[vaw]|s$", re.IGNORECASE)


def without_header(text: str) -> str:
    """An answer without the header of its query, which some instruments send first."""
    return _HEADER.sub("", text, count=1)


def with_suffix(text: str) -> float:
    """A number with an SI prefix and a unit: ``"1.00MSa/s"`` is 1e6.

    Raises:
        ValueError: it is none.
    """
    found = _NUMBER.match(text)
    if found is None:
        raise ValueError(text)
    if not found[2]:
        return float(found[1])
    rest = found[2].replace("\N{OHM SIGN}", "\N{GREEK CAPITAL LETTER OMEGA}")
    if _UNIT.fullmatch(rest):
        return float(found[1])
    prefix, unit = rest[:1], rest[1:].lstrip()
    if prefix not in _PREFIXES or _UNIT.fullmatch(unit) is None:
        raise ValueError(text)
    milli = prefix == "M" and _SMALL.match(unit)
    return float(found[1]) * (1e-3 if milli else _PREFIXES[prefix])


def _hexadecimal(text: str) -> float:
    plain = text.strip().upper().removeprefix("#H").removeprefix("0X").removesuffix("H")
    return float(int(plain, 16))


def _binary(text: str) -> float:
    return float(int(text.strip().upper().removeprefix("#B").removeprefix("0B"), 2))


def _bytes(text: str) -> float:
    data = text.encode("latin-1")
    if not data:
        raise ValueError("nothing")
    return float(int.from_bytes(data, "big"))


_READ: dict[str, Callable[[str], float]] = {
    "number": float, "hex": _hexadecimal, "binary": _binary, "byte": _bytes, "si": with_suffix,
}  # fmt: skip


class Answer:
    """How the answer to one question is read.

    Args:
        commands: from the driver file.
        headers: an answer may begin with the header of its query.
        where: instrument and operation, as errors name them.
    """

    __slots__ = ("_commands", "_headers", "_pick", "_read", "_search", "where")

    def __init__(self, commands: Commands, headers: bool, where: str) -> None:
        self._commands = commands
        self._headers = headers
        self._read = _READ[commands.kind]
        self._pick = _picker(commands)
        grouped = bool(commands.match) and regular.compiled(commands.match).groups > 0
        self._search = regular.compiled(commands.match) if commands.match and not grouped else None
        self.where = where

    def number(self, answer: str) -> float:
        """The answer as a number.

        Raises:
            NoResult: the instrument says that it has no result (overload, not a number).
            InstrumentError: it is no number.
        """
        text = self._picked(answer)
        commands = self._commands
        word = commands.map.get(text) if commands.map else None
        if word is not None:
            return float(word)
        value = self._plain(text, answer)
        if not abs(value) < SCPI_INFINITY:
            what = "overload" if abs(value) < SCPI_NOT_A_NUMBER else "no number"
            raise NoResult(
                f"the instrument reports {what} ({text})",
                expected="a reading within its range",
                where=self.where.partition(", ")[0],
            )
        if commands.bit is not None:
            return float(self._bit(value))
        return value * commands.scale + commands.shift

    def numbers(self, answer: str) -> list[float]:
        """The answer as numbers, each between separators."""
        whole = without_header(answer) if self._headers else answer
        return [self.number(part) for part in whole.split(self._commands.separator)]

    def boolean(self, answer: str) -> bool:
        """The answer as true or false. ``match`` without a group: true when it is found."""
        commands = self._commands
        found = self._truth(answer, commands)
        return not found if commands.invert else found

    def _truth(self, answer: str, commands: Commands) -> bool:
        if self._search is not None:
            return self._search.search(answer) is not None
        text = self._picked(answer)
        if commands.map:
            word = commands.map.get(text, commands.map.get(text.strip('"')))
            if word is None:
                self._no(answer, "one of " + ", ".join(commands.map))
            return bool(word)
        if commands.bit is None:
            if text.upper() in _TRUE:
                return True
            if text.upper() in _FALSE:
                return False
        value = self._plain(text, answer)
        if not abs(value) < SCPI_INFINITY:  # no number, infinite: neither on nor off
            self._no(answer, "on or off")
        return bool(self._bit(value))

    def _picked(self, answer: str) -> str:
        if self._commands.kind == "byte":
            return answer
        plain = without_header(answer) if self._headers else answer
        try:
            return self._pick(plain).strip()
        except LookupError as missing:
            whole = plain.strip()
            if whole in self._commands.map or _no_result(whole):
                return whole  # what says that there is no reading looks like none
            self._no(answer, str(missing.args[0]))

    def _bit(self, value: float) -> int:
        bit = self._commands.bit
        assert not isinstance(bit, tuple), "Commands.of chose the output's own"
        whole = int(value)
        return whole if bit is None else (whole >> bit) & 1

    def _plain(self, text: str, answer: str) -> float:
        try:
            value = self._read(text)
        except ValueError:
            self._no(answer, "a number")
        whole = math.isfinite(value) and value == math.floor(value)
        if self._commands.bit is not None and not whole:
            self._no(answer, "a whole number")
        return value

    def _no(self, answer: str, expected: str) -> NoReturn:
        raise InstrumentError(
            f"answered \"{answer[:80]}\" to '{(self._commands.send or ('',))[-1]}'",
            expected=expected,
            where=self.where,
            hint="field, match or map of that operation in the driver file tell where the "
            "number stands in the answer",
        )


def _picker(commands: Commands) -> Callable[[str], str]:
    """What takes the text that matters out of an answer; it raises LookupError, with what was
    expected, where that is not there: the rest may look like a number and be another one."""
    field, separator, character = commands.field, commands.separator, commands.character
    assert not isinstance(character, tuple), "Commands.of chose the output's own"
    matcher = regular.compiled(commands.match) if commands.match else None
    if field is None and matcher is None and character is None:
        return _whole

    def pick(answer: str) -> str:
        text = answer
        if field is not None:
            parts = text.split(separator)
            if not -len(parts) <= field < len(parts):
                raise LookupError(f"a part number {field} between '{separator}'")
            text = parts[field]
        if matcher is not None:
            found = matcher.search(text)
            if found is None:
                raise LookupError(f"an answer that matches {commands.match}")
            text = found.group(matcher.groups and 1)
        if character is not None:
            text = text.strip()
            if not -len(text) <= character < len(text):
                raise LookupError(f"a character number {character}")
            text = text[character]
        return text

    return pick


def _no_result(text: str) -> bool:
    """Whether a text is what stands for no number, whatever else would be there."""
    try:
        return not abs(float(text)) < SCPI_INFINITY
    except ValueError:
        return False


def _whole(answer: str) -> str:
    return answer
