"""The quantities that steps yield, each declared once, and how a kind of step yields them.

A *measurand* (JCGM 200:2012, 2.3) is a quantity that is measured: its name in the record, its
unit, and what people are told of it. It is declared in the module of the step that yields it;
whatever else needs its name, unit or words (the record, ``explain``, the JSON Schemas, the
forecast, the report, the findings files) has them from there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from seqrun.files.sequence.fields import Makes
from seqrun.quantity import DIMENSIONS

#: what one entry makes of a quantity: one reading; one for each channel (that of the repetition,
#: or all) or rail of the unit; one for each of something else, as many as the files do not tell
Per = Literal["entry", "channel", "rail", "several"]
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_MAKES: dict[Per, Makes] = {
    "entry": "one",
    "channel": "channel",
    "rail": "rail",
    "several": "several",
}


@dataclass(frozen=True, slots=True)
class Measurand:
    """A quantity that some step yields.

    Args:
        name: as in the record, ``"thd_n"``.
        unit: the base unit of its readings, ``"%"``; ``""`` for a plain number.
        what: what it is, in a sentence.
        how: how it is measured.
        fooled_by: what can make it wrong.
        title: for people; the name without its underscores when left out.
        contact: for a quantity that is good when near zero, and that an open lead would make so:
            what proves that the lead is there before it may pass.

    Raises:
        TypeError: something of it is missing or is not known; said when it is declared.
    """

    name: str
    unit: str
    what: str
    how: str
    fooled_by: str
    title: str = ""
    contact: str = ""

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise TypeError(f"a quantity called '{self.name}': small letters, digits and _ only")
        if self.unit not in DIMENSIONS:
            units = " ".join(unit for unit in DIMENSIONS if unit)
            raise TypeError(
                f"the quantity '{self.name}' is in '{self.unit}', which is no known unit: one of "
                f'{units}, or "" for a plain number'
            )
        for key in ("what", "how", "fooled_by"):
            words: str = {"what": self.what, "how": self.how, "fooled_by": self.fooled_by}[key]
            if not words.strip().endswith("."):
                raise TypeError(
                    f"the quantity '{self.name}' is not explained: {key} is '{words}', expected a "
                    "sentence that ends in a full stop"
                )
        if not self.title:
            object.__setattr__(self, "title", self.name.replace("_", " "))


@dataclass(frozen=True, slots=True)
class Yields:
    """That a kind of step yields a quantity, and how.

    ``judged``: its readings are held against the entry's limit; otherwise they are for the record.
    ``each`` says in words what the channel column holds when there are several: ``"device"``.
    """

    of: Measurand
    judged: bool
    per: Per = "entry"
    each: str = ""

    @property
    def makes(self) -> Makes:
        """The same as limits on earlier readings ask for it."""
        return _MAKES[self.per]

    @property
    def words(self) -> str:
        """How many, in words: ``"one for each channel"``."""
        of = self.each or ("" if self.per in ("entry", "several") else self.per)
        return f"one for each {of}" if of else "one"


def judged(of: Measurand, per: Per = "entry", each: str = "") -> Yields:
    """A quantity that the entry's limit is about."""
    return Yields(of, True, per, each)


def shown(of: Measurand, per: Per = "entry", each: str = "") -> Yields:
    """A quantity that goes on record without being held against a limit."""
    return Yields(of, False, per, each)
