"""An instrument in memory at the end of a link: it answers at once, or not at all."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from seqrun.files.driver.manners import Identity, Manners
from seqrun.instruments.failing import LinkFailure, TimedOut
from seqrun.instruments.link import Link

Said = list[str | LinkFailure]
NAME, EMPTY = "ACME,METER,1,1.0", '0,"No error"'


class Memory:
    """A wire whose instrument answers at once; what it does not answer times out at once."""

    serial, stream, key, name, where = False, True, "meter", "memory", "meter (memory)"

    def __init__(self, manners: Manners, answers: Callable[[Any], Said]) -> None:
        self.manners, self._answers = manners, answers
        self.sent: list[Any] = []
        self.times: list[float] = []
        self.waiting: deque[str | LinkFailure] = deque()
        self.time_out_s = self.waited_s = manners.time_out

    def send(self, message: Any) -> None:
        self.sent.append(message)
        self.waiting.extend(self._answers(message))

    def receive(self, length: int | None = None) -> str:
        if not self.waiting:
            raise TimedOut("nothing came")
        came = self.waiting.popleft()
        if isinstance(came, LinkFailure):
            raise came
        return came

    def stray(self) -> bool:
        return bool(self.waiting)

    def clear(self) -> None:
        self.waiting.clear()

    forget_what_came = clear

    def end_message(self) -> None:
        self.sent.append("<end>")

    def note(self, direction: str, text: str) -> None:
        """Nobody looks."""

    @contextmanager
    def within(self, seconds: float) -> Iterator[None]:
        self.times.append(seconds)
        yield


def link_to(
    answers: Callable[[Any], Said], identity: Identity | None = None, known: bool = True, **how: Any
) -> Any:
    """A link to an instrument that answers so; ``known``: it has told its identity."""

    def whole(message: Any) -> Said:
        return [NAME] if message == "*IDN?" else answers(message)

    link: Any = Link.__new__(Link)
    link._begin(Memory(Manners.model_validate(how), whole), identity)
    if known:
        link.talk.identity = NAME
    return link


def table(**said: Said) -> Callable[[Any], Said]:
    """Answers by the beginning of a message, spelt with ``_`` for what is no letter."""

    def answers(message: Any) -> Said:
        plain = "".join(c if c.isalnum() else "_" for c in str(message))
        return next((list(a) for key, a in said.items() if plain.startswith(key)), [])

    return answers
