"""The VISA link: the one place where anything is said to an instrument.

Every message passes through :meth:`Link.exchange` or :meth:`Link.block`, so it can be listened to
there. The error queue is looked at after each group of commands: usually as part of the same
message (``VOLT 3;:SYST:ERR?``), which costs no exchange of its own and also tells that the
instrument has taken the commands before it.

An exchange that was cut off (time-out, interrupt) leaves the link *owed*: an answer may still
come. The next exchange first brings the link back in step, so that no answer is ever taken for
that of another question.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, NoReturn

from seqrun.errors import InstrumentError, InstrumentRefused, InstrumentSilent
from seqrun.files.driver import Manners
from seqrun.instruments import error_queue
from seqrun.instruments.block import NoBlock
from seqrun.instruments.error_queue import QueueError
from seqrun.instruments.wire import LATE_ANSWERS, MessageLog, Wire

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

__all__ = ["Link", "MessageLog"]

DRAIN_TIME_OUT_S = 1.0
MOST_ERRORS = 20
# Query interrupted, unterminated, deadlocked: what follows when an answer was not fetched, or
# waited for in vain; never the cause.
OUR_OWN = frozenset({-410, -420, -430})


class Link(Wire):
    """A conversation with one instrument; :meth:`open` begins it."""

    def __init__(
        self,
        key: str,
        resource: MessageBasedResource,
        log: MessageLog,
        manners: Manners | None = None,
    ) -> None:
        super().__init__(key, resource, log, manners)
        manners = self.manners
        self.identity = ""
        self._owed = False
        self._appended = manners.error_check == "appended" and bool(manners.error_query)
        self._tail = _joined("*", manners.error_query)[1:] if self._appended else ""
        self._no_error = re.compile(manners.no_error)

    # --- commands and queries ------------------------------------------------------------------

    def write(self, *messages: str, time_out_s: float | None = None) -> None:
        """Send a group of commands and see that the error queue is empty afterwards.

        Args:
            time_out_s: how long they may take, when longer than the driver's time-out.

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        self.exchange(self.compose(messages), False, time_out_s=time_out_s)

    def query(self, message: str, *, time_out_s: float | None = None) -> str:
        """Send a query, with commands before it or without, and give the answer.

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        return self.exchange(self.compose((message,)), True, time_out_s=time_out_s)

    def compose(self, messages: Sequence[str], check: bool = True) -> tuple[str, ...]:
        """Messages as they will go out: one, with the error query at its end, when the driver
        says that the instrument takes that."""
        if not self._appended:
            return tuple(messages)
        whole = ""
        for message in messages:
            whole = _joined(whole, message)
        return (whole + self._tail,) if check and self._tail else (whole,)

    def exchange(
        self,
        messages: Sequence[str],
        asks: bool,
        *,
        check: bool = True,
        time_out_s: float | None = None,
    ) -> str:
        """Send messages that :meth:`compose` made, and read the answer of the last.

        Args:
            asks: whether an answer comes, beside that of the error query.
            check: whether the error queue is looked at (as :meth:`compose` was told).
            time_out_s: for this answer; the driver's without.

        Returns:
            The answer without terminator; "" when nothing was asked.
        """
        if self._owed:
            self._recover()
        if time_out_s is not None and time_out_s > self._time_out_s:
            self._resource.timeout = time_out_s * 1000.0
            try:
                return self._exchange(messages, asks, check)
            finally:
                self._resource.timeout = self._time_out_s * 1000.0
        return self._exchange(messages, asks, check)

    def _exchange(self, messages: Sequence[str], asks: bool, check: bool) -> str:
        appended = check and self._appended
        try:
            for message in messages[:-1]:
                self._send(message)
            if asks or appended:
                self._owed = True
                self._send(messages[-1])
                answer = self._receive()
                self._owed = False
            else:
                self._send(messages[-1])
                answer = ""
        except self._failures as problem:
            self._no_answer(messages, problem)
        if appended:
            answer, separator, error = answer.rpartition(";")
            if not (error.startswith(("0,", "+0,")) and bool(separator) == asks):
                answer = self._look_closer(answer + separator + error, messages)
        elif check and self.manners.error_check == "separate":
            self._check(messages)
        return answer

    # --- errors --------------------------------------------------------------------------------

    def _look_closer(self, answer: str, messages: Sequence[str]) -> str:
        """An answer whose appended error is not plainly zero."""
        found = error_queue.split(answer)
        if found is None:
            raise InstrumentError(
                f'answered "{_short(answer)}"',
                expected="an answer with an entry of the error queue at its end",
                where=self.where,
                hint='set error_check = "separate" under [link] of the driver file, for an '
                "instrument that does not take several queries in one message",
            )
        rest, entry = found
        if not self._no_error.match(entry):
            self._refuse(entry, messages)
        return rest

    def _check(self, messages: Sequence[str]) -> None:
        """One error query of its own."""
        error = self._ask(self.manners.error_query)
        if not self._no_error.match(error):
            self._refuse(error, messages)

    def check(self, messages: Sequence[str] = ()) -> None:
        """Look at the error queue now; ``messages`` are what the blame goes to.

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        if self.manners.error_check != "none" and self.manners.error_query:
            self._check(messages)

    def _refuse(self, error: str, messages: Sequence[str]) -> NoReturn:
        """Empty the queue, then tell its first entry, which is the cause of the others."""
        others = []
        try:
            for _ in range(MOST_ERRORS):
                further = self._ask(self.manners.error_query)
                if self._no_error.match(further):
                    break
                if error_queue.entry(further)[0] not in OUR_OWN:
                    others.append(further)
        except InstrumentSilent:
            pass  # the first error is what matters
        number, text = error_queue.entry(error)
        more = f" (and {len(others)} more: {'; '.join(others)})" if others else ""
        raise QueueError(number, text, self._sent(messages), more, self.where)

    def _sent(self, messages: Sequence[str]) -> str:
        """What was sent, as errors show it."""
        return _short("; ".join(message.removesuffix(self._tail) for message in messages))

    def _ask(self, message: str) -> str:
        """One bare query."""
        try:
            self._owed = True
            self._send(message)
            answer = self._receive()
            self._owed = False
        except self._failures as problem:
            self._silent((message,), problem)
        return answer

    def _no_answer(self, messages: Sequence[str], problem: BaseException) -> NoReturn:
        """Nothing came. An instrument that did not understand a query says so in its queue."""
        waited_s = self._resource.timeout / 1000.0
        if self._timed_out(problem) and self.manners.error_check != "none":
            try:
                self._into_step()
                self._check(messages)
            except InstrumentSilent:
                pass  # then the first silence is what is reported
        self._silent(messages, problem, waited_s)

    def _silent(
        self, messages: Sequence[str], problem: BaseException, waited_s: float | None = None
    ) -> NoReturn:
        sent = self._sent(messages)
        if self._timed_out(problem):
            seconds = self._time_out_s if waited_s is None else waited_s
            found = f"no answer within {seconds:g} s to '{sent}'"
            hint = "is it switched on, connected, and on the right address?"
        else:
            found = f"the link broke at '{sent}': {_short(str(problem))}"
            hint = "check power and cable, then run again"
        raise InstrumentSilent(
            found, expected="an answer", where=self.where, hint=hint
        ) from problem

    # --- out of step ---------------------------------------------------------------------------

    def _into_step(self) -> None:
        """Throw away what may still come, until the instrument answers what is asked now.

        Raises:
            InstrumentSilent: it does not.
        """
        self._resource.timeout = DRAIN_TIME_OUT_S * 1000.0
        try:
            # On a stream, what is still to come ends with the identity: nothing to wait for.
            if not (self.identity and self._stream):
                self._clear()
            if not self.identity:
                self._owed = False
                return
            self._send("*IDN?")
            for _ in range(LATE_ANSWERS):
                if self._receive() == self.identity:
                    self._owed = False
                    return
        except self._failures as problem:
            self._silent(("*IDN?",), problem)
        finally:
            self._resource.timeout = self._time_out_s * 1000.0
        raise InstrumentSilent(
            "answers, but not what it was asked",
            expected="its identity",
            where=self.where,
            hint="switch the instrument off and on again",
        )

    def _recover(self) -> None:
        """Into step after an exchange that was cut off, and forget what that left in the queue."""
        self._into_step()
        self._exchange(("*CLS",), False, False)

    def urgent(self, *messages: str) -> None:
        """Commands that have to get out whatever state the link is in.

        If an exchange was cut off, the commands go out at once, before the link is brought back
        in step, and then again. An error that was in the queue before is not held against them.

        Raises:
            InstrumentSilent, InstrumentRefused: they may not have been taken.
        """
        if self._owed:
            try:
                # The bare terminator ends what may have been sent in part.
                self._write(self._session, self._end.encode("latin-1"))
                for message in messages:
                    self._send(message)
            except self._failures:
                pass  # the same commands follow, and their failure is reported
        try:
            self.write(*messages)
        except InstrumentRefused:
            self.exchange(("*CLS",), False, check=False)
            self.write(*messages)

    def identify(self) -> str:
        """The answer to ``*IDN?``, which is also how the link finds back into step later."""
        self.identity = self.exchange(("*IDN?",), True, check=False)
        return self.identity

    # --- blocks --------------------------------------------------------------------------------

    def block(
        self, messages: Sequence[str], expected_bytes: int = 0, time_out_s: float | None = None
    ) -> memoryview:
        """Send messages of which the last asks for a definite-length block (IEEE 488.2, 8.7.9).

        The error queue is not looked at: see :meth:`check`.

        Args:
            expected_bytes: a guess at its length, so that it comes in few pieces.

        Returns:
            The data of the block, in one piece and not copied.

        Raises:
            InstrumentSilent, InstrumentRefused; InstrumentError when something else came.
        """
        if self._owed:
            self._recover()
        try:
            self._owed = True
            found = self._block(messages, expected_bytes, time_out_s)
            self._owed = False
        except self._failures as problem:
            self._no_answer(messages, problem)
        except NoBlock as problem:
            self._into_step()
            self.check(messages)
            raise InstrumentError(
                f"answered \"{problem}\" to '{self._sent(messages)}'",
                expected="a definite-length block (#, digits, bytes)",
                where=self.where,
                hint="see that the driver file asks for binary samples",
            ) from None
        self._log(self.key, "<", f"<block {found.length} bytes>")
        return found.data


def _joined(before: str, message: str) -> str:
    """One program message from two: each header begins at the root of the command tree."""
    if not before:
        return message
    return f"{before};{message}" if message[:1] in (":", "*") else f"{before};:{message}"


def _short(text: str) -> str:
    return text if len(text) <= 120 else text[:117] + "…"
