"""Serial numbers: they go into file names and into tables that spreadsheets open."""

from __future__ import annotations

import unicodedata

from seqrun.errors import UsageError

LONGEST_SERIAL = 64
_EXPECTED = f"1 to {LONGEST_SERIAL} letters, digits, spaces and . _ - # ( ), such as DEMO-001"
_OTHERS = frozenset(" ._-#()")


def check_serial(text: str) -> str:
    """The serial number, stripped of spaces around it.

    Raises:
        UsageError: empty, too long, like a path, like a spreadsheet formula, with control or
            other unusual characters; the message says which.
    """
    serial = text.strip()
    why = _objection(serial)
    if why:
        raise UsageError(f"{_visible(text)} {why}", expected=_EXPECTED, where="serial number")
    return serial


def _objection(serial: str) -> str | None:
    if not serial:
        return "is empty"
    if len(serial) > LONGEST_SERIAL:
        return f"has {len(serial)} characters"
    if serial[0] in "=+-@":
        return f"begins with '{serial[0]}', which spreadsheets take for a formula"
    if "/" in serial or "\\" in serial or ".." in serial or serial[0] in ".~" or ":" in serial[:2]:
        return "looks like a path"
    for character in serial:
        if unicodedata.category(character).startswith("C"):
            return "holds a control or invisible character"
        if not character.isalnum() and character not in _OTHERS:
            return f"holds '{character}'"
    return None


def _visible(text: str) -> str:
    shown = text if len(text) <= 40 else text[:37] + "..."
    return ascii(shown) if not shown.isprintable() else f"'{shown}'"
