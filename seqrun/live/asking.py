"""One more keyboard: a question can be answered at the page, where the terminal has not yet."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from seqrun.errors import NotMeasured
from seqrun.live.board import Board, PutQuestion
from seqrun.plan.context import Press
from seqrun.runner.hands import LIVE_WARNING
from seqrun.runner.lead_drawing import LeadDrawing
from seqrun.runner.presses import Presses, terminal_presses
from seqrun.runner.prompts import Asked, asked_by

LONGEST = 200  # characters of an answer
PRESSES = 64  # that wait for a run to take them; more are a stuck key


@dataclass(frozen=True, slots=True)
class Refused(Exception):
    """An answer or a key that does not count, and why."""

    why: str

    def __str__(self) -> str:
        return self.why


class Answers:
    """Between the run, which asks and takes, and the page, which answers.

    Args:
        board: where a question is shown while it stands.
        attended: whether somebody has the page open who may press keys.
    """

    def __init__(self, board: Board, attended: Callable[[], bool]) -> None:
        self._board, self._attended = board, attended
        self._guard = threading.Lock()
        self._given: str | None = None
        self._said: list[str] = []
        self._pressed: list[tuple[str, float]] = []

    # --- the run's side ------------------------------------------------------------------------

    def said(self, text: str) -> None:
        """The operator is told something; it belongs to the next question. The page draws leads
        in its own way."""
        if not isinstance(text, LeadDrawing):
            self._said = [*self._said, text][-8:]

    @contextmanager
    def asking(self, line: str) -> Iterator[Callable[[], str | None]]:
        """While it lasts the question stands at the page; yields what gives the answer, or None
        as long as there is none. Nothing that came before answers it."""
        asked = asked_by(line, self._said)
        told = tuple(text for text in self._said if text not in (asked.text, LIVE_WARNING))
        told = tuple(text for text in told if not text.endswith(asked.text))
        self._said = []
        with self._guard:
            self._given = None
            put = PutQuestion(secrets.token_hex(8), asked, told)
        self._board.say(_spoken(put), urgent=True, question=put)
        try:
            yield self._taken
        finally:
            with self._guard:
                self._given = None
                self._board.change(question=None)

    def _taken(self) -> str | None:
        with self._guard:
            return self._given

    @contextmanager
    def presses(self) -> Iterator[Presses]:
        """Keys of the terminal and of the page, for :class:`~seqrun.runner.hands.Operator`."""
        self.taken()
        with ExitStack() as stack:
            at_terminal: Presses = list
            try:
                at_terminal = stack.enter_context(terminal_presses())
            except NotMeasured:
                if not self._attended():
                    raise
            yield lambda: sorted([*at_terminal(), *self.taken()], key=lambda press: -press.ago_s)

    def taken(self) -> list[Press]:
        """The keys pressed at the page since it was last asked."""
        with self._guard:
            pressed, self._pressed = self._pressed, []
        now = time.monotonic()
        return [Press(key, now - at) for key, at in pressed]

    # --- the page's side -----------------------------------------------------------------------

    def answer(self, question: str, text: str) -> None:
        """Answer the question that stands.

        Raises:
            Refused: it does not stand any more, or that is no answer to it.
        """
        with self._guard:
            put = self._board.scene.question
            if put is None or not secrets.compare_digest(put.id.encode(), question.encode()):
                raise Refused("That question is over: it was answered, or the run went on.")
            if self._given is not None:
                raise Refused("It was answered a moment ago.")
            self._given = _checked(put.asked, text)

    def press(self, key: str) -> None:
        """Press a key.

        Raises:
            Refused: nothing takes it now.
        """
        with self._guard:
            if key not in [one.key for one in self._board.scene.keys]:
                raise Refused("That key does nothing at the moment.")
            if len(self._pressed) >= PRESSES:
                raise Refused("Keys are coming faster than the run can take them.")
            self._pressed.append((key, time.monotonic()))


def _checked(asked: Asked, text: str) -> str:
    if text in [key.key for key in asked.keys]:
        return text
    if not asked.typed or not text.strip():
        raise Refused("That is not one of the answers.")
    if len(text) > LONGEST or not text.isprintable():
        raise Refused(f"An answer is one line of at most {LONGEST} characters.")
    return text


def _spoken(put: PutQuestion) -> str:
    warning = f"{LIVE_WARNING} " if put.asked.live else ""
    return warning + " ".join([*put.said, put.asked.text])
