"""Where instruments by hand are set and read: what is asked of the person, and what may come back.

Nothing here knows a terminal or a page. A :class:`Desk` is made when a bench is opened; the run
lends it its hands.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Protocol

from seqrun.errors import NotMeasured
from seqrun.quantity import QuantityError, parse, render

#: the value may be followed by the range that it was read on: "31.2 mV on 60 mV"
_ON = re.compile(r"\s+(?:on|@)\s+", re.IGNORECASE)
_OVERLOAD = re.compile(r"[+-]?\s*(ol|0l|0\.l|o\.l|over|overload)", re.IGNORECASE)
ABSOLUTE_ZERO_C = -273.15


@dataclass(frozen=True, slots=True)
class Setting:
    """Something to be set by hand. ``call`` and ``args`` are the operation of the role that it
    stands for, for hands that turn the knobs of a virtual instrument."""

    instrument: str
    words: str
    call: str
    args: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class Typed:
    """What was read off an instrument, in base units, and its range where that was said."""

    value: float
    range: float | None = None


class Impossible(Exception):
    """What was typed cannot be what the instrument shows. ``found`` and ``wanted`` tell why."""

    def __init__(self, found: str, wanted: str) -> None:
        super().__init__(found)
        self.found, self.wanted = found, wanted


@dataclass(frozen=True, slots=True)
class Question:
    """One number, or one yes or no, to be read off an instrument.

    Args:
        words: what to set and what to read, for people.
        unit: base unit of the answer; "" for yes or no.
        ranges: full scales of the function, in the unit; () when there are none.
        signed: whether it can be below zero.
        likely: above this it is no fault of typing only if the person says so once more.
        before: what to set first, and then ``call`` with ``args``: operations of the role.
    """

    instrument: str
    words: str
    unit: str
    ranges: tuple[float, ...] = ()
    signed: bool = True
    likely: float | None = None
    call: str = ""
    args: tuple[Any, ...] = ()
    before: tuple[tuple[str, tuple[Any, ...]], ...] = field(default=())

    @property
    def example(self) -> str:
        """How an answer looks."""
        if not self.unit:
            return "y or n"
        if self.unit == "°C":
            return '"31.5 °C"'
        return f'"1.234 {self.unit}", "1.234 m{self.unit}"' + (
            f' or "1.234 {self.unit} on {self.shown(self.ranges[-1])}"' if self.ranges else ""
        )

    def shown(self, value: float) -> str:
        """A value as people write it."""
        return render(value, self.unit, digits=5) if self.unit else ("yes" if value else "no")

    def understand(self, text: str) -> Typed:
        """What was typed, as a number that this instrument can show.

        Raises:
            Impossible: no number, another unit, a sign, size or range that it cannot have.
            NotMeasured: it shows overload.
        """
        text = text.strip()
        if not self.unit:
            return Typed(self._yes(text))
        if _OVERLOAD.fullmatch(text):
            raise NotMeasured("the instrument shows overload", expected="a reading within a range")
        number, *scale = _ON.split(text)
        if len(scale) > 1:
            raise Impossible(f"'{text}' names two ranges", f"one such as {self.example}")
        value = self._quantity(number)
        full = self._quantity(scale[0]) if scale else None
        if value < 0.0 and not self.signed:
            raise Impossible(f"{self.shown(value)} is below zero", "this reading has no sign")
        if self.unit == "°C" and value < ABSOLUTE_ZERO_C:
            raise Impossible(f"{self.shown(value)} is colder than anything", "a temperature")
        if full is not None:
            full = self._known(full)
        most = full if full is not None else max(self.ranges, default=None)
        if most is not None and abs(value) > most * (1.0 + 1e-9):
            what = "that range" if full is not None else "its largest range"
            raise Impossible(
                f"{self.shown(value)} is more than {what} shows",
                f"at most {self.shown(most)}, or OL when it shows overload",
            )
        return Typed(value, full)

    def doubt(self, typed: Typed) -> str:
        """What makes an answer unlikely though possible; "" when nothing does."""
        if self.likely is not None and abs(typed.value) > self.likely:
            return f"more than {self.shown(self.likely)}, which nothing here should exceed"
        return ""

    def _quantity(self, text: str) -> float:
        try:
            return parse(text.strip(), self.unit)
        except QuantityError as problem:
            raise Impossible(str(problem.found), f"one such as {self.example}") from None

    def _known(self, full: float) -> float:
        for one in self.ranges:
            if abs(one - full) <= 1e-6 * one:
                return one
        listed = ", ".join(self.shown(one) for one in self.ranges) or "none"
        raise Impossible(f"there is no range of {self.shown(full)}", f"one of {listed}")

    @staticmethod
    def _yes(text: str) -> float:
        if text.lower() in ("y", "yes"):
            return 1.0
        if text.lower() in ("n", "no"):
            return 0.0
        raise Impossible(f"'{text}' is neither yes nor no", "y or n")


class Attendant(Protocol):
    """Whoever sets and reads instruments by hand."""

    def set_by_hand(self, setting: Setting) -> None:
        """Have it set and confirmed.

        Raises:
            NotMeasured: nobody is there to do it.
        """
        ...

    def read_by_hand(self, question: Question) -> Typed:
        """Have it read.

        Raises:
            NotMeasured: it cannot be read, or nobody is there to read it.
        """
        ...

    def urge(self, setting: Setting) -> None:
        """Say at once what has to be set, and wait for nobody. Never raises."""
        ...


class Desk:
    """Passes on to whoever is there; nobody until a run lends its hands."""

    def __init__(self) -> None:
        self._attendant: Attendant | None = None
        self._now: Callable[[], float] = lambda: 0.0
        self.turns = 0  # grows with whatever makes an earlier reading an old one
        self.likely_v: float | None = None  # more than this no point of the unit should have
        self.spent_s = 0.0  # bench time that setting, reading and typing have taken

    def staff(self, attendant: Attendant, now: Callable[[], float]) -> None:
        """From now on this one sets and reads; ``now`` tells bench time, s."""
        self._attendant, self._now = attendant, now

    def now(self) -> float:
        """Bench time less what was spent on setting and reading, s: nothing ages while a person
        types, and no time-out runs."""
        return self._now() - self.spent_s

    @contextmanager
    def _spending(self) -> Iterator[None]:
        begun = self._now()
        try:
            yield
        finally:
            self.spent_s += self._now() - begun

    def moved(self) -> None:
        """A lead or a knob was moved: what was read before is read anew."""
        self.turns += 1

    def do(self, setting: Setting) -> None:
        """See :meth:`Attendant.set_by_hand`."""
        with self._spending():
            self._there(setting.words).set_by_hand(setting)
        self.moved()

    def read(self, question: Question) -> Typed:
        """See :meth:`Attendant.read_by_hand`."""
        with self._spending():
            return self._there(question.words).read_by_hand(question)

    def urge(self, setting: Setting) -> None:
        """See :meth:`Attendant.urge`; with nobody there the safe state's report says it."""
        self.moved()
        if self._attendant is not None:
            self._attendant.urge(setting)

    def _there(self, what: str) -> Attendant:
        if self._attendant is None:
            raise NotMeasured(f"nobody is asked: {what}", expected="a run with an operator")
        return self._attendant
