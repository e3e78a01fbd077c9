"""What all instruments by hand share."""

from __future__ import annotations

from typing import Any

from seqrun.errors import NotMeasured
from seqrun.files.driver.file import AccuracyRow, Driver
from seqrun.instruments.accuracy import Accuracy
from seqrun.instruments.desk import Desk, Question, Setting, Typed
from seqrun.instruments.link import MessageLog

#: a number that was typed stands for so long, s of bench time
FRESH_S = 10.0
#: half-width of a yes or no, of 1 (our own choice): a look is no measurement
SURE = 0.1
#: what was typed, when, and after which turn of a lead or a knob
Held = tuple[Typed, float, int]


class ByHand:
    """What all of them share.

    Args:
        name: its key in the bench file.
        driver: its accuracy, and what it has.
        desk: where it is set and read.
        label: what the bench file says of it.
    """

    by_hand = True

    def __init__(self, name: str, driver: Driver, desk: Desk, label: str = "") -> None:
        self.name = name
        self.driver = driver
        self._desk = desk
        self._label = label
        self._accuracy = Accuracy(name, driver)

    @property
    def identity(self) -> str:
        """What the bench file or the driver file calls it: nothing here can ask."""
        return f"{self._label or self.driver.name} (by hand)"

    def make_safe(self) -> None:
        """Nothing to switch off."""

    def listen(self, log: MessageLog) -> None:
        """Nothing is exchanged."""

    def close(self) -> None:
        """Nothing to give back."""

    def _do(self, words: str, call: str, *args: Any) -> None:
        self._desk.do(Setting(self.name, words, call, args))

    def _ranges(self, function: str) -> tuple[float, ...]:
        rows = self.driver.rows.get(function, ())
        return tuple(row.range for row in rows if row.range is not None)

    def _row(self, function: str, typed: Typed) -> AccuracyRow:
        return self._accuracy.row(function, typed.range or abs(typed.value))

    def _told_by_nobody(self, what: str) -> NotMeasured:
        return NotMeasured(
            f"it is set by hand: nobody reads back {what}",
            expected="a remote interface", where=self.name,
        )  # fmt: skip

    def _fresh(self, held: Held | None) -> Typed | None:
        """What was typed, while it still stands."""
        if held is None:
            return None
        typed, at, turn = held
        stands = turn == self._desk.turns and self._desk.now() - at <= FRESH_S
        return typed if stands else None

    def _asked(self, question: Question) -> Held:
        """What is typed in answer to a question."""
        typed = self._desk.read(question)
        return typed, self._desk.now(), self._desk.turns
