"""A question as it is put to a person: a terminal's line, and what other screens need of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from seqrun.instruments.desk import Question
from seqrun.plan.context import Key

#: "lead" on a point, lead "off", a knob or plug to "set", a number or yes or no to "read", a number
#: to "keep", a text to confirm as a "note", the reason "why" something is skipped
Kind = Literal["lead", "off", "set", "read", "keep", "note", "why"]

END = Key("q", "end the run")
AGAIN = Key("r", "show it again")


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked, apart from how it is shown.

    Args:
        text: what to do or to read.
        keys: the answers that are one key, "" being Enter, in the order in which to offer them.
        live: the unit is powered or still charged.
        why: what an answer comes to.
        leads: terminal and node of each lead that is to be put on.
        question: the number that is wanted; its answer is typed.
    """

    kind: Kind
    text: str
    keys: tuple[Key, ...]
    live: bool = False
    why: str = ""
    leads: tuple[tuple[str, str], ...] = ()
    question: Question | None = None

    @property
    def typed(self) -> bool:
        """Whether something can be typed that is none of the keys."""
        return self.kind == "why" or (self.question is not None and self.question.unit != "")


class Prompt(str):
    """The line of a terminal; ``asked`` tells the same to a screen with buttons."""

    __slots__ = ("asked",)

    asked: Asked

    def __new__(cls, line: str, asked: Asked) -> Prompt:
        made = super().__new__(cls, line)
        made.asked = asked
        return made


def asked_by(line: str, said: Sequence[str] = ()) -> Asked:
    """What a prompt asks; of a bare line the line itself, with Enter, words and q for answers."""
    if isinstance(line, Prompt):
        return line.asked
    return Asked("why", "\n".join([*said, line.strip()]), (END,))
