"""From the bytes of one program message to units and their data elements (IEEE 488.2, chapter 7).

Works on ``bytes`` throughout, so that a block of a million points is a slice and not a copy.
Forgiving as a listener (IEEE 488.2, 1.3): any control character counts as white space
(7.4.1.2), an empty unit between two semicolons is skipped.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Literal, NamedTuple

from demo_sim.scpi.errors import ScpiError

Kind = Literal["number", "nondecimal", "word", "string", "block", "expression"]

LONGEST_MNEMONIC = 12  # 7.6.1.4.1 for headers, 7.7.1.4 for character data
LONGEST_SUFFIX = 12  # 7.7.3.4
LONGEST_MANTISSA = 255  # 7.7.2.4.1
LARGEST_EXPONENT = 32000  # 7.7.2.4.1


class Element(NamedTuple):
    """One piece of program data.

    ``value`` is a float (number), int (nondecimal), upper-case str (word), str (string),
    bytes-like (block) or the str between the parentheses (expression); ``suffix`` is the
    upper-case unit behind a number.
    """

    kind: Kind
    value: float | int | str | memoryview
    suffix: str = ""


class Unit(NamedTuple):
    """One program message unit: header as sent (upper case, without the question mark) and data."""

    header: str
    is_query: bool
    elements: tuple[Element, ...]


_SPACE = re.compile(rb"[\x00-\x20]*")
_HEADER = re.compile(rb"(\*[A-Za-z]\w*|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\?)?", re.ASCII)
_NUMBER = re.compile(
    rb"([+-]?(?:\d+\.?\d*|\.\d+))(?:[\x00-\x09\x0b-\x20]*[Ee][\x00-\x09\x0b-\x20]*([+-]?\d+))?"
)
_SUFFIX = re.compile(rb"/?[A-Za-z][A-Za-z0-9./^-]*")
_WORD = re.compile(rb"[A-Za-z]\w*", re.ASCII)
_NONDECIMAL = {ord("H"): 16, ord("h"): 16, ord("Q"): 8, ord("q"): 8, ord("B"): 2, ord("b"): 2}
_DIGITS = re.compile(rb"\w*", re.ASCII)
_STARTS_DATA = frozenset(b"0123456789+-.'\"#(,")


def units(message: bytes) -> Iterator[Unit]:
    """The units of a program message without its terminator, one by one.

    Raises:
        ScpiError: a command error (−1xx) at the place where the syntax breaks. The units before
            it have been yielded by then, so that they are executed first, as a device does that
            parses while it receives.
    """
    position, end = 0, len(message)
    while True:
        position = _skip(message, position)
        if position >= end:
            return
        if message[position] == 0x3B:  # ;
            position += 1
            continue
        unit, position = _unit(message, position)
        yield unit


def _skip(message: bytes, position: int) -> int:
    found = _SPACE.match(message, position)
    return found.end() if found else position


def _unit(message: bytes, position: int) -> tuple[Unit, int]:
    found = _HEADER.match(message, position)
    if found is None:
        number = -102 if _printable(message[position]) else -101
        raise ScpiError(number, _near(message, position))
    header = found.group(1).upper().decode("ascii")
    for mnemonic in header.lstrip("*:").split(":"):
        if len(mnemonic) > LONGEST_MNEMONIC:
            raise ScpiError(-112, mnemonic[:40])
    is_query = found.group(2) is not None
    position = found.end()
    end = len(message)
    if position < end and message[position] > 0x20 and message[position] != 0x3B:
        odd = message[position]
        if odd in _STARTS_DATA:
            raise ScpiError(-111, _near(message, position))
        raise ScpiError(-102 if odd in b"?:*" else -101, _near(message, position))
    elements: list[Element] = []
    position = _skip(message, position)
    while position < end and message[position] != 0x3B:
        element, position = _element(message, position)
        elements.append(element)
        position = _skip(message, position)
        if position >= end or message[position] == 0x3B:
            break
        if message[position] != 0x2C:  # ,
            raise ScpiError(-103, _near(message, position))
        position = _skip(message, position + 1)
        if position >= end or message[position] == 0x3B:
            raise ScpiError(-109, "nothing after the last comma")
    return Unit(header, is_query, tuple(elements)), position


def _element(message: bytes, position: int) -> tuple[Element, int]:
    first = message[position]
    if first in b"0123456789+-.":
        return _number(message, position)
    if first in b"'\"":
        return _string(message, position)
    if first == 0x23:  # #
        return _hash(message, position)
    if first == 0x28:  # (
        return _expression(message, position)
    found = _WORD.match(message, position)
    if found is None:
        number = -102 if _printable(first) and first not in b"@$%&!\\^`{}|~" else -101
        raise ScpiError(number, _near(message, position))
    if found.end() - position > LONGEST_MNEMONIC:
        raise ScpiError(-144, _near(message, position))
    return Element("word", found.group().upper().decode("ascii")), found.end()


def _number(message: bytes, position: int) -> tuple[Element, int]:
    found = _NUMBER.match(message, position)
    if found is None:
        raise ScpiError(-121, _near(message, position))
    mantissa, exponent = found.group(1), found.group(2)
    if len(mantissa.lstrip(b"+-0.").replace(b".", b"")) > LONGEST_MANTISSA:
        raise ScpiError(-124)
    if exponent is not None:
        digits = exponent.lstrip(b"+-").lstrip(b"0")
        if len(digits) > 5 or (digits and int(digits) > LARGEST_EXPONENT):
            raise ScpiError(-123, exponent[:12].decode("ascii"))
        value = float(mantissa + b"E" + exponent)
    else:
        value = float(mantissa)
    after = _skip(message, found.end())
    suffix = _SUFFIX.match(message, after)
    if suffix is None:
        if found.end() < len(message) and message[found.end()] == 0x2E:  # a second decimal point
            raise ScpiError(-121, _near(message, found.end()))
        return Element("number", value), found.end()
    if suffix.end() - after > LONGEST_SUFFIX:
        raise ScpiError(-134, _near(message, after))
    return Element("number", value, suffix.group().upper().decode("ascii")), suffix.end()


def _string(message: bytes, position: int) -> tuple[Element, int]:
    quote = message[position : position + 1]
    parts: list[bytes] = []
    start = position + 1
    while True:
        close = message.find(quote, start)
        if close < 0:
            raise ScpiError(-151, "the closing quote is missing")
        parts.append(message[start:close])
        if message[close + 1 : close + 2] != quote:
            break
        parts.append(quote)  # a doubled quote stands for one (7.7.5.2)
        start = close + 2
    text = b"".join(parts)
    if not text.isascii():
        raise ScpiError(-151, "strings hold 7-bit ASCII")
    return Element("string", text.decode("ascii")), close + 1


def _hash(message: bytes, position: int) -> tuple[Element, int]:
    kind = message[position + 1 : position + 2]
    if kind.isdigit():
        return _block(message, position, int(kind))
    base = _NONDECIMAL.get(kind[0]) if kind else None
    if base is None:
        raise ScpiError(-161 if not kind else -121, _near(message, position))
    found = _DIGITS.match(message, position + 2)
    digits = found.group() if found else b""
    try:
        value = int(digits, base) if b"_" not in digits else None
    except ValueError:
        value = None
    if value is None:
        raise ScpiError(-121, _near(message, position))
    return Element("nondecimal", value), position + 2 + len(digits)


def _block(message: bytes, position: int, digits: int) -> tuple[Element, int]:
    if digits == 0:  # indefinite length: everything up to the terminator (7.7.6.2)
        return Element("block", memoryview(message)[position + 2 :]), len(message)
    start = position + 2 + digits
    length = message[position + 2 : start]
    if len(length) < digits or not length.isdigit():
        raise ScpiError(-161, "the length is not a number")
    stop = start + int(length)
    if stop > len(message):
        raise ScpiError(-161, f"{int(length)} bytes announced, {len(message) - start} received")
    return Element("block", memoryview(message)[start:stop]), stop


def _expression(message: bytes, position: int) -> tuple[Element, int]:
    depth = 0
    for index in range(position, len(message)):
        byte = message[index]
        if byte == 0x28:
            depth += 1
        elif byte == 0x29:
            depth -= 1
            if depth == 0:
                text = message[position + 1 : index]
                if not text.isascii():
                    raise ScpiError(-171)
                return Element("expression", text.decode("ascii")), index + 1
        elif byte in b"\"';#":  # 7.7.7.2 keeps these out of an expression
            break
    raise ScpiError(-171, "the closing parenthesis is missing")


def _printable(byte: int) -> bool:
    return 0x20 < byte < 0x7F


def _near(message: bytes, position: int) -> str:
    """A few characters from the place of the error, fit for the queue."""
    piece = message[position : position + 12].decode("ascii", "replace")
    return "".join(c if c.isprintable() and c not in '"\ufffd' else "." for c in piece)
