"""Cells of the record's tables: plain numbers, and text that no spreadsheet takes for a formula.

A text cell that begins with = + - @ or a tab is run as a formula by spreadsheets, so it is written
with an apostrophe in front, which spreadsheets show as text; reading it back takes the apostrophe
off again. (A text that begins with apostrophes and then such a character gets one more, so nothing
is lost.) Numbers are written as numbers: -0.05 stays -0.05. Serial numbers that begin so are
refused beforehand. A row is one line: line breaks and control characters become spaces, so a torn
line can be told from a whole one.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

#: first characters that start a formula, with the full-width forms that some locales accept
_FORMULA = re.compile("'*[=+\\-@\t＝＋－＠]")
#: control characters, and the separators that some programs break lines at
_CONTROL = re.compile("[\x00-\x08\x0a-\x1f\x7f-\x9f\u2028\u2029]+")
_PLAIN = re.compile(r"[+-]?\d+(\.\d*)?([eE][+-]?\d+)?")


def text(value: str) -> str:
    """A text cell."""
    if value.isalnum():
        return value
    line = _CONTROL.sub(" ", value).strip(" ")
    # a lone surrogate (from a file name) has no UTF-8
    line = line.encode("utf-8", "backslashreplace").decode("utf-8")
    if _FORMULA.match(line) and not _PLAIN.fullmatch(line):
        return "'" + line
    return line


def from_text(cell: str) -> str:
    """What :func:`text` was given."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def number(value: float | None) -> str:
    """The shortest decimal that reads back as the same float; empty for none, NaN, infinity."""
    if value is None:
        return ""
    plain = float(value)  # a NumPy scalar has another repr
    return repr(plain) if math.isfinite(plain) else ""


def from_number(cell: str) -> float | None:
    """A number cell; None when empty.

    Raises:
        ValueError: it is neither empty nor a number.
    """
    return float(cell) if cell else None


def flag(value: bool) -> str:
    return "true" if value else "false"


def from_flag(cell: str) -> bool:
    """True or false.

    Raises:
        ValueError: it is neither; spreadsheets write TRUE and FALSE, which are understood.
    """
    lower = cell.lower()
    if lower not in ("true", "false"):
        raise ValueError(f"'{cell}' is neither true nor false")
    return lower == "true"


def utc(moment: datetime) -> str:
    """ISO 8601 in UTC, to the millisecond: 2026-05-11T09:30:00.000Z.

    Raises:
        ValueError: the time has no zone, so that its UTC is unknown.
    """
    if moment.tzinfo is None:
        raise ValueError("a time without a zone has no place in a record")
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def from_utc(cell: str) -> datetime | None:
    """A time; None when empty.

    Raises:
        ValueError: it is not ISO 8601.
    """
    try:
        return datetime.fromisoformat(cell) if cell else None
    except ValueError:
        raise ValueError(f"'{cell}' is no time such as 2026-05-11T09:30:00.000Z") from None
