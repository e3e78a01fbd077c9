"""Looking at an instrument's error queue in the way that its driver file says.

*appended*: the error query is joined to each message; its entry stands at the end of the answer.
*separate*: the error query is a message of its own. *none*: never.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from seqrun.errors import InstrumentRefused, InstrumentSilent
from seqrun.files import regular
from seqrun.instruments import error_queue
from seqrun.instruments.answers import without_header
from seqrun.instruments.error_queue import QueueError
from seqrun.instruments.failing import TimedOut
from seqrun.instruments.talk import DRAIN_TIME_OUT_S, Talk, short
from seqrun.instruments.wire import Message

MOST_ERRORS = 100  # more than any queue holds
NO_QUEUE = 'if it has no error queue, set error_check = "none" under [link] of its driver file'
ENDLESS = (
    "if that is what its queue answers when it is empty, no_error under [link] of the driver file "
    'has to match its beginning; if it has no queue, set error_check = "none"'
)
# Query interrupted, unterminated, deadlocked: what follows when an answer was not fetched, or
# waited for in vain; never the cause.
OUR_OWN = frozenset({-410, -420, -430})
SEPARATE = (
    "this instrument does not take two commands in one message: set error_check = "
    '"separate" under [link] of its driver file'
)


class ErrorCheck:
    """The error queue of one instrument.

    Args:
        talk: with it; its ``tail`` is set to what is joined to messages.

    Attributes:
        appended, separate: which of the ways it is; neither: there is no queue to look at.
    """

    def __init__(self, talk: Talk) -> None:
        self._talk = talk
        self._manners = manners = talk.wire.manners
        self.query = manners.error_query
        self.appended = manners.error_check == "appended" and bool(manners.error_query)
        self.separate = manners.error_check == "separate"
        self._none = manners.error_check == "none"
        self._no_error = regular.compiled(manners.no_error)
        self._empty = ""  # what its queue answers when there is nothing in it
        self.joins_taken = False  # an answer with an entry of the queue has been seen
        talk.tail = joined("*", self.query)[1:] if self.appended else ""

    @property
    def hint(self) -> str:
        """What to try where two commands in one message have never been answered."""
        return f"; or {SEPARATE}" if self.appended and not self.joins_taken else ""

    def compose(self, messages: Sequence[str], check: bool = True) -> tuple[str, ...]:
        """Messages as they will go out: one, with the error query at its end, when the driver
        says that the instrument takes that."""
        if not self.appended or not messages:
            return tuple(messages)
        whole = ""
        for message in messages:
            whole = joined(whole, message)
        tail = self._talk.tail
        return (whole + tail,) if check and tail else (whole,)

    def _ask(self) -> str:
        """One error query of its own; its answer without the header of the query."""
        try:
            said = self._talk.ask(self.query)
        except InstrumentSilent as problem:
            cause = problem.__cause__
            if not self._talk.identity or not isinstance(cause, TimedOut) or cause.closed:
                raise
            raise InstrumentSilent(
                problem.found, expected="an entry of the error queue",
                where=self._talk.wire.where, hint=f"{NO_QUEUE}; if it has one, {problem.hint}",
            ) from cause  # fmt: skip
        return without_header(said) if self._talk.wire.manners.headers else said

    # --- an entry that is there ----------------------------------------------------------------

    def accept(self, entry: str, messages: Sequence[Message]) -> None:
        """See that an entry says that the queue is empty.

        Raises:
            QueueError: it does not; ``messages`` get the blame.
        """
        if not self._no_error.match(entry):
            self._refuse(entry, messages)

    def look(self, messages: Sequence[Message]) -> bool:
        """One error query of its own. False when what came is no entry of an error queue, so that
        the link is out of step.

        Raises:
            QueueError, InstrumentSilent.
        """
        error = self._ask()
        # What an empty queue answers does not change; "0" may be the answer to something else.
        if self._empty and error == self._empty:
            return not self._talk.wire.stray()
        if self._no_error.match(error):
            self._empty = self._empty or error
            return error == self._empty and not self._talk.wire.stray()
        if not error_queue.is_entry(error, self._empty):
            return False
        return self._refuse(error, messages)

    def entries(self) -> list[str]:
        """What the queue holds, emptied by asking; [] without a queue.

        Raises:
            InstrumentRefused: it does not become empty, by ``no_error``.
        """
        if self._none:
            return []
        found, empty = self._emptied()
        if not empty:
            raise InstrumentRefused(
                f"'{self.query}' has {len(found)} answers and does not come to an end: the last "
                f'is "{short(found[-1])}"',
                expected=f'what an empty queue answers, by no_error = "{self._manners.no_error}"',
                where=self._talk.wire.where,
                hint=ENDLESS,
            )
        return found

    def _emptied(self) -> tuple[list[str], bool]:
        """The entries that were in the queue, and whether it said at last that it is empty."""
        found: list[str] = []
        while len(found) < MOST_ERRORS:
            entry = self._ask()
            if self._no_error.match(entry):
                return found, True
            found.append(entry)
        return found, False

    def _refuse(self, error: str, messages: Sequence[Message]) -> NoReturn:
        """Empty the queue, then tell its first entry, which is the cause of the others."""
        empty, others = True, list[str]()
        with suppress(InstrumentSilent):  # the first error is what matters
            others, empty = self._emptied()
        others = [e for e in dict.fromkeys(others) if error_queue.entry(e)[0] not in OUR_OWN]
        others = [e for e in others if e != error]
        number, text = error_queue.entry(error)
        more = f" (and {len(others)} more: {'; '.join(others)})" if others else ""
        sent, where = self._talk.sent(messages), self._talk.wire.where
        raise QueueError(number, text, sent, more, where, "" if empty else ENDLESS)

    # --- joined messages -----------------------------------------------------------------------

    def closer(self, answer: str, messages: Sequence[Message], asks: bool) -> str | None:
        """An answer whose appended entry is not plainly zero: the answer without it; None when
        the two do not belong together, so that the link is out of step.

        Raises:
            QueueError: the entry is an error.
            InstrumentRefused: the instrument does not take two commands in one message.
        """
        found = error_queue.split(answer)
        if found is not None:
            rest, entry = found
            self.joins_taken = True
            self.accept(entry, messages)
            return rest if bool(rest) == asks else None
        if not self.joins_taken:
            self._talk.owed = True
            self._talk.into_step()
            if self.refuses_two():
                self._no_joins(
                    f"answered \"{short(answer)}\" to '{self._talk.sent(messages)}'",
                    "an answer with an entry of the error queue at its end",
                )
        return None

    def after_silence(self, messages: Sequence[Message]) -> None:
        """Nothing came. An instrument that did not understand a query says so in its queue.

        Raises:
            InstrumentRefused, InstrumentSilent.
        """
        tail = self._talk.tail
        if tail and str(messages[-1]).endswith(tail) and self.refuses_two():
            self._no_joins(f"no answer to '{self._talk.sent(messages)}'", "an answer")
        self.look(messages)

    def _no_joins(self, found: str, expected: str) -> NoReturn:
        raise InstrumentRefused(
            found, expected=expected, where=self._talk.wire.where, hint=SEPARATE
        )

    def refuses_two(self) -> bool:
        """Whether the error query is answered alone, and not in one message with another query;
        asked beside the identity, and only while no joined message was ever answered."""
        talk, question = self._talk, self._talk.question
        if self.joins_taken or question.raw or not question.ask.endswith("?"):
            return False
        try:
            if not error_queue.is_entry(self._ask()):
                talk.into_step()
                return False
            with talk.wire.within(min(talk.wire.time_out_s, DRAIN_TIME_OUT_S)):
                said = talk.ask(joined(question.ask, self.query))
        except InstrumentSilent:
            talk.into_step()
            return self._alive()
        self.joins_taken = error_queue.split(said) is not None
        talk.owed = not self.joins_taken
        return not self.joins_taken

    def _alive(self) -> bool:
        """Whether the error query alone is answered."""
        try:
            return error_queue.is_entry(self._ask())
        except InstrumentSilent:
            return False


def joined(before: str, message: str) -> str:
    """One program message from two: each header begins at the root of the command tree."""
    if not before:
        return message
    return f"{before};{message}" if message[:1] in (":", "*") else f"{before};:{message}"
