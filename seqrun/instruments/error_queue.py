"""The error queue of an instrument (SCPI-99 volume 2, 21.8): reading its entries.

An entry is ``number,"text"``; number 0 says that the queue is empty.
"""

from __future__ import annotations

import re
from typing import Final

from seqrun.errors import InstrumentRefused

#: blanks may stand before it, and the header of the error query where answers have headers
_APPENDED: Final = re.compile(
    r"(?:^|;)\s*(?::?[A-Za-z][\w:]*\s+)?([+-]?\d+\s*,\s*\"(?:[^\"]|\"\")*\")\s*$"
)
_ENTRY: Final = re.compile(r"^\s*([+-]?\d+)\s*,?\s*(.*?)\s*$", re.DOTALL)

_NUMBERED: Final = re.compile(r"^\s*[+-]?\d{1,6}\s*,")
_MEASURED: Final = re.compile(r"^\s*[+-]?(\d+\.\d*|\.\d+|\d+(?=[eE]))([eE][+-]?\d+)?\s*$")


class QueueError(InstrumentRefused):
    """The error queue held something.

    Attributes:
        number: the instrument's own, or SCPI's; 0 when it gave none.
        text: the instrument's own.
    """

    def __init__(
        self, number: int, text: str, after: str, more: str, where: str, hint: str = ""
    ) -> None:
        self.number, self.text = number, text
        super().__init__(
            f"error {number} \"{text}\" after '{after}'{more}",
            expected="an empty error queue",
            where=where,
            hint=hint
            or "the error number is explained in the instrument's programming manual; the "
            "command stands in the driver file",
        )


def entry(text: str) -> tuple[int, str]:
    """Number and text of an entry; 0 and all of it when there is no number."""
    parts = _ENTRY.match(text)
    if parts is None:
        return 0, text
    return int(parts[1]), parts[2].strip('"')


def is_entry(text: str, empty: str = "") -> bool:
    """Whether an answer to an error query looks like one, and not like that to another question.

    Args:
        empty: what this instrument answers when the queue is empty, when that is known. One that
            begins with a number and a comma has entries that do; families with words of their own
            answer anything but a measured number.
    """
    if _NUMBERED.match(empty):
        return _NUMBERED.match(text) is not None
    return _MEASURED.match(text) is None


def split(answer: str) -> tuple[str, str] | None:
    """An answer with an entry at its end: answer, entry. None when there is no entry.

    The text of an entry may itself hold semicolons.
    """
    found = _APPENDED.search(answer)
    return None if found is None else (answer[: found.start()], found[1])
