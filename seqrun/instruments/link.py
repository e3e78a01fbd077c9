"""The link: the one place where anything is said to an instrument.

Every message passes through :meth:`Link.exchange` or :meth:`Link.block`, so it can be listened to
there. The error queue is looked at after each group of commands: usually as part of the same
message (``VOLT 3;:SYST:ERR?``), which costs no exchange of its own and also tells that the
instrument has taken the commands before it.

An exchange that was cut off (time-out, interrupt) leaves the link *owed*: an answer may still
come. So does an answer that nobody asked for. The next exchange first brings the link back in
step, so that no answer is ever taken for that of another question.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn, Self

from seqrun.errors import (
    InstrumentError,
    InstrumentRefused,
    InstrumentSilent,
    SeqrunError,
    WrongInstrument,
)
from seqrun.files import regular
from seqrun.files.driver.manners import Identity, Manners
from seqrun.instruments import error_queue
from seqrun.instruments.block import NoBlock
from seqrun.instruments.error_queue import QueueError
from seqrun.instruments.wire import (
    LATE_ANSWERS,
    LinkFailure,
    Message,
    MessageLog,
    TimedOut,
    Wire,
)

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

__all__ = ["Link", "MessageLog"]

DRAIN_TIME_OUT_S = 1.0
TRY_TIME_OUT_S = 0.5  # for an acknowledgement that only some firmware sends
MOST_ERRORS = 20
# Query interrupted, unterminated, deadlocked: what follows when an answer was not fetched, or
# waited for in vain; never the cause.
OUR_OWN = frozenset({-410, -420, -430})
SEPARATE = (
    "this instrument does not take two commands in one message: set error_check = "
    '"separate" under [link] of its driver file'
)


@dataclass(frozen=True, slots=True)
class Form:
    """How the messages of one operation are answered.

    Args:
        length: the answer is exactly so many bytes.
        acknowledge: pattern of what answers a write; "" none, None as the link's manners say.
    """

    length: int | None = None
    acknowledge: str | None = None


PLAIN = Form()


class Link:
    """A conversation with one instrument; :meth:`open` begins it.

    Args:
        key: what the bench calls the instrument.
        resource: its open PyVISA resource.
        log: gets every message.
        manners, identity: from the driver file.
    """

    def __init__(
        self,
        key: str,
        resource: MessageBasedResource,
        log: MessageLog,
        manners: Manners | None = None,
        identity: Identity | None = None,
    ) -> None:
        self._begin(Wire(key, resource, log, manners), identity)

    def _begin(self, wire: Wire, identity: Identity | None) -> None:
        self.wire = wire
        self.manners = manners = wire.manners
        self.identity = ""
        self._question = identity or Identity()
        self._owed = False
        self._appended = manners.error_check == "appended" and bool(manners.error_query)
        self._joins_taken = False  # an answer with an entry of the error queue has been seen
        self._empty = ""  # what its error queue answers when there is nothing in it
        self._tail = _joined("*", manners.error_query)[1:] if self._appended else ""
        self._no_error = regular.compiled(manners.no_error)
        self._acknowledge = manners.acknowledge
        self._untried = manners.acknowledged == "try"
        self._users = 1

    @classmethod
    def open(
        cls,
        key: str,
        resource: str,
        manager: ResourceManager,
        log: MessageLog,
        manners: Manners | None = None,
        identity: Identity | None = None,
    ) -> Self:
        """Open a resource by its VISA name. Nothing is sent.

        Raises:
            InstrumentSilent: nothing there, or it does not take the connection.
            InstrumentError: the resource does not carry messages.
        """
        link = cls.__new__(cls)
        link._begin(Wire.open(key, resource, manager, log, manners), identity)
        return link

    @property
    def key(self) -> str:
        """What the bench calls the instrument."""
        return self.wire.key

    @property
    def name(self) -> str:
        """The VISA name of its resource."""
        return self.wire.name

    @property
    def where(self) -> str:
        """The instrument as errors name it."""
        return self.wire.where

    def listen(self, log: MessageLog) -> None:
        """From now on messages go to another log."""
        self.wire.listen(log)

    def share(self) -> Self:
        """The same link for one more role of the instrument; each gives it back by itself."""
        self._users += 1
        return self

    def close(self) -> None:
        """Give the resource back when the last role does; never raises."""
        self._users -= 1
        if self._users <= 0:
            self.wire.close()

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
        if not self._appended or not messages:
            return tuple(messages)
        whole = ""
        for message in messages:
            whole = _joined(whole, message)
        return (whole + self._tail,) if check and self._tail else (whole,)

    def exchange(
        self,
        messages: Sequence[Message],
        asks: bool,
        *,
        check: bool = True,
        time_out_s: float | None = None,
        form: Form = PLAIN,
    ) -> str:
        """Send messages that :meth:`compose` made, and read the answer of the last.

        Args:
            asks: whether an answer comes, beside that of the error query.
            check: whether the error queue is looked at (as :meth:`compose` was told).
            time_out_s: for this answer; the driver's without.
            form: how it is answered.

        Returns:
            The answer without terminator; "" when nothing was asked.
        """
        if self._owed or self.wire.stray():
            self._recover()
        if time_out_s is not None and time_out_s > self.wire.time_out_s:
            with self.wire.within(time_out_s):
                return self._exchange(messages, asks, check, form)
        return self._exchange(messages, asks, check, form)

    def _exchange(
        self, messages: Sequence[Message], asks: bool, check: bool, form: Form = PLAIN
    ) -> str:
        appended = check and self._appended
        wire = self.wire
        try:
            answer = self._said_and_heard(messages, asks or appended, form)
        except LinkFailure as problem:
            self._no_answer(messages, problem)
        if appended:
            answer, separator, error = answer.rpartition(";")
            if not (error.startswith(("0,", "+0,")) and bool(separator) == asks):
                return self._look_closer(answer + separator + error, messages, asks)
            self._joins_taken = True
        elif check and self.manners.error_check == "separate":
            if not self._check(messages):
                return self._once_more(messages, asks, True, form)
        elif asks and wire.stream and self.manners.error_check == "none" and wire.stray():
            # Two answers to one question: which is which is not known.
            return self._once_more(messages, asks, False, form)
        return answer

    def _said_and_heard(self, messages: Sequence[Message], answered: bool, form: Form) -> str:
        """Send each message and read what answers it."""
        wire = self.wire
        last = len(messages) - 1
        answer = ""
        for number, message in enumerate(messages):
            # Looked up for each: the first may have shown that this firmware acknowledges nothing.
            pattern = self._acknowledge if form.acknowledge is None else form.acknowledge
            if number == last and answered:
                self._owed = True
                wire.send(message)
                answer = wire.receive(form.length)
                if pattern and self.manners.acknowledged == "all":
                    self._acknowledgement(pattern, message)
                self._owed = False
            elif pattern:
                self._owed = True
                wire.send(message)
                self._acknowledgement(pattern, message)
                self._owed = False
            else:
                wire.send(message)
        return answer

    def _acknowledgement(self, pattern: str, message: Message) -> None:
        if self._untried:
            with self.wire.within(TRY_TIME_OUT_S):
                try:
                    said = self.wire.receive()
                except TimedOut:  # this firmware says nothing, now and later
                    self._acknowledge, self._untried = "", False
                    return
            self._untried = False
        else:
            said = self.wire.receive()
        if regular.compiled(pattern).search(said) is None:
            self._owed = False
            raise InstrumentRefused(
                f"answered \"{_short(said)}\" to '{self._sent((message,))}'",
                expected=f"an acknowledgement that matches {pattern}",
                where=self.where,
                hint="the command may be wrong, or another value than it takes",
            )

    # --- errors --------------------------------------------------------------------------------

    def _look_closer(self, answer: str, messages: Sequence[Message], asks: bool) -> str:
        """An answer whose appended error is not plainly zero."""
        found = error_queue.split(answer)
        if found is not None:
            rest, entry = found
            self._joins_taken = True
            if not self._no_error.match(entry):
                self._refuse(entry, messages)
            if bool(rest) == asks:
                return rest
        elif not self._joins_taken:
            self._owed = True
            self._into_step()
            if self._refuses_two():
                raise InstrumentRefused(
                    f"answered \"{_short(answer)}\" to '{self._sent(messages)}'",
                    expected="an answer with an entry of the error queue at its end",
                    where=self.where,
                    hint=SEPARATE,
                )
        return self._once_more(messages, asks, True)

    def _refuses_two(self) -> bool:
        """Whether the error query is answered alone, and not in one message with another query;
        asked beside the identity, and only while no joined message was ever answered."""
        question, errors = self._question, self.manners.error_query
        if self._joins_taken or question.raw or not question.ask.endswith("?"):
            return False
        try:
            if not error_queue.is_entry(self._ask(errors)):
                self._into_step()
                return False
            with self.wire.within(min(self.wire.time_out_s, DRAIN_TIME_OUT_S)):
                said = self._ask(_joined(question.ask, errors))
        except InstrumentSilent:
            self._into_step()
            return self._alive()
        self._joins_taken = error_queue.split(said) is not None
        self._owed = not self._joins_taken
        return not self._joins_taken

    def _alive(self) -> bool:
        """Whether the error query alone is answered."""
        try:
            return error_queue.is_entry(self._ask(self.manners.error_query))
        except InstrumentSilent:
            return False

    def _once_more(
        self, messages: Sequence[Message], asks: bool, check: bool, form: Form = PLAIN
    ) -> str:
        """The link is out of step: bring it in step and say it again. An operation sets a state
        or asks for one, so that twice is no more than once."""
        self._owed = True
        self._recover()
        appended = check and self._appended
        try:
            answer = self._said_and_heard(messages, asks or appended, form)
        except LinkFailure as problem:
            self._no_answer(messages, problem)
        if appended:
            found = error_queue.split(answer)
            if found is None:
                self._out_of_step(messages)
            answer, entry = found
            if not self._no_error.match(entry):
                self._refuse(entry, messages)
            right = bool(answer) == asks
        elif check and self.manners.error_check == "separate":
            right = self._check(messages)
        else:
            right = not self.wire.stray()
        if not right:
            self._out_of_step(messages)
        return answer

    def _out_of_step(self, messages: Sequence[Message]) -> NoReturn:
        self._owed = True
        raise InstrumentError(
            f"an answer came that nobody asked for, about '{self._sent(messages)}'",
            expected="one answer to each question",
            where=self.where,
            hint="see that nothing else talks to the instrument, and that its driver says whether "
            "writes are acknowledged"
            + (f"; or {SEPARATE}" if self._appended and not self._joins_taken else ""),
        )

    def _check(self, messages: Sequence[Message]) -> bool:
        """One error query of its own. False when what came is no entry of an error queue, so that
        the link is out of step."""
        error = self._ask(self.manners.error_query)
        if self._no_error.match(error):
            # What an empty queue answers does not change; "0" may be the answer to something else.
            self._empty = self._empty or error
            return error == self._empty and not self.wire.stray()
        if not error_queue.is_entry(error, self._empty):
            return False
        return self._refuse(error, messages)

    def check(self, messages: Sequence[Message] = ()) -> None:
        """Look at the error queue now; ``messages`` are what the blame goes to.

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        if self.manners.error_check == "none" or not self.manners.error_query:
            return
        if not self._check(messages):
            self._owed = True
            self._recover()
            if not self._check(messages):
                self._out_of_step(messages or (self.manners.error_query,))

    def errors(self) -> list[str]:
        """What the error queue holds, emptied by asking; [] without a queue."""
        found: list[str] = []
        if self.manners.error_check == "none":
            return found
        for _ in range(MOST_ERRORS):
            entry = self._ask(self.manners.error_query)
            if self._no_error.match(entry):
                break
            found.append(entry)
        return found

    def _refuse(self, error: str, messages: Sequence[Message]) -> NoReturn:
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

    def _sent(self, messages: Sequence[Message]) -> str:
        """What was sent, as errors show it."""
        shown = (m.removesuffix(self._tail) if isinstance(m, str) else m.hex(" ") for m in messages)
        return _short("; ".join(shown))

    def _ask(self, message: Message, length: int | None = None) -> str:
        """One bare query."""
        try:
            self._owed = True
            self.wire.send(message)
            answer = self.wire.receive(length)
            if self._acknowledge and self.manners.acknowledged == "all":
                self._acknowledgement(self._acknowledge, message)
            self._owed = False
        except LinkFailure as problem:
            self._silent((message,), problem)
        return answer

    def _no_answer(self, messages: Sequence[Message], problem: LinkFailure) -> NoReturn:
        """Nothing came. An instrument that did not understand a query says so in its queue."""
        waited_s = self.wire.waited_s
        gone = not isinstance(problem, TimedOut) or problem.closed
        if not gone and self.manners.error_check != "none":
            try:
                self._into_step()
                joined = bool(self._tail) and str(messages[-1]).endswith(self._tail)
                if joined and self._refuses_two():
                    raise InstrumentRefused(
                        f"no answer to '{self._sent(messages)}'", expected="an answer",
                        where=self.where, hint=SEPARATE,
                    )  # fmt: skip
                self._check(messages)
            except InstrumentSilent:
                pass  # then the first silence is what is reported
        self._silent(messages, problem, waited_s)

    def _silent(
        self, messages: Sequence[Message], problem: LinkFailure, waited_s: float | None = None
    ) -> NoReturn:
        sent = self._sent(messages)
        hint = "is it switched on, connected, and on the right address?"
        if not isinstance(problem, TimedOut):
            found = f"the link broke at '{sent}': {_short(str(problem))}"
            hint = "check power and cable, then run again"
        elif problem.closed:
            found = f"closed the link at '{sent}'"
            hint = "another program may hold it; switch the instrument off and on again"
        elif problem.part and problem.part.strip() == sent.strip():
            found = f"echoes '{sent}' and says nothing more"
            hint = "switch the echo off on the instrument's own menu"
        elif problem.part:
            end = self.manners.read_termination
            found = f"answered \"{_short(problem.part)}\" to '{sent}', but the line did not end " \
                f"in {end!r}"  # fmt: skip
            hint = "read_termination under [link] of the driver file says how a line ends"
        else:
            seconds = self.wire.time_out_s if waited_s is None else waited_s
            found = f"no answer within {seconds:g} s to '{sent}'"
        raise InstrumentSilent(
            found, expected="an answer", where=self.where, hint=hint
        ) from problem

    # --- out of step ---------------------------------------------------------------------------

    def _identity_message(self) -> Message:
        question = self._question
        return bytes.fromhex(question.ask) if question.raw else question.ask

    def _into_step(self) -> None:
        """Throw away what may still come, until the instrument answers what is asked now.

        Raises:
            InstrumentSilent: it does not.
        """
        question = self._identity_message()
        with self.wire.within(max(DRAIN_TIME_OUT_S, self._question.time_out or 0.0)):
            try:
                # On a stream, what is still to come ends with the identity: nothing to wait for.
                # An answer without an end has to be waited for.
                by_lines = bool(self.manners.read_termination)
                if not (self.identity and self.wire.stream and by_lines):
                    self.wire.clear()
                if not self.identity:
                    self._owed = False
                    return
                self.wire.send(question)
                for _ in range(LATE_ANSWERS):
                    said = self.wire.receive(self._question.length)
                    # A fingerprint may be a state, which changes; nothing older is left to come.
                    changing = self._question.tells == "fingerprint" and not by_lines
                    if said == self.identity or (changing and said):
                        if self._acknowledge and self.manners.acknowledged == "all":
                            self.wire.receive()
                        self._owed = False
                        return
            except LinkFailure as problem:
                self._silent((question,), problem)
        raise InstrumentSilent(
            "answers, but not what it was asked",
            expected="its identity",
            where=self.where,
            hint="switch the instrument off and on again",
        )

    def _recover(self) -> None:
        """Into step after an exchange that was cut off, and forget what that left in the queue."""
        self._into_step()
        self._forget()

    def _forget(self) -> None:
        """Old errors are nobody's fault now."""
        if self.manners.clear and self.manners.error_check != "none":
            self._exchange((self.manners.clear,), False, False)

    def urgent(self, messages: Sequence[Message], form: Form = PLAIN) -> None:
        """Commands that have to get out whatever state the link is in.

        If an exchange was cut off, the commands go out at once, before the link is brought back
        in step, and then again. An error that was in the queue before is not held against them.
        A link that broke is opened once more, and so is one that does not come back in step.

        Args:
            messages: as :meth:`compose` made them, with the error query.

        Raises:
            InstrumentSilent, InstrumentRefused: they may not have been taken.
        """
        if self._owed or self.wire.stray():
            try:
                self.wire.end_message()
                for message in messages:
                    self.wire.send(message)
            except LinkFailure:
                pass  # the same commands follow, and their failure is reported
            self._owed = True
        try:
            self._urgently(messages, form)
        except InstrumentRefused:
            raise
        except InstrumentError as first:
            try:
                self.reopen()
            except SeqrunError:
                raise first from None  # what happened first is what is told
            self._urgently(messages, form)

    def _urgently(self, messages: Sequence[Message], form: Form) -> None:
        try:
            self.exchange(messages, False, form=form)
        except InstrumentRefused:
            self._forget()
            self.exchange(messages, False, form=form)

    def reopen(self) -> None:
        """Open the link once more after it broke, and see that the same instrument answers.

        Raises:
            InstrumentSilent: it cannot be opened, or does not answer.
            WrongInstrument: another one answers there now.
        """
        before = self.identity
        self.wire.reopen()
        self._owed = False
        if not before:
            return
        self.identity = ""
        try:
            found = self.identify()
        finally:
            self.identity = before
        if found != before:
            self._owed = True
            raise WrongInstrument(
                f'the instrument there is "{found}" now',
                expected=f'"{before}", as before the link broke',
                where=self.where,
                hint="see which instrument has that address",
            )
        self._forget()

    def identify(self) -> str:
        """The answer to the question for its identity (``*IDN?`` if the driver names no other),
        which is also how the link finds back into step later."""
        form = Form(self._question.length)
        message = self._identity_message()
        self.identity = self.exchange(
            (message,), True, check=False, time_out_s=self._question.time_out, form=form
        )
        return self.identity

    # --- blocks --------------------------------------------------------------------------------

    def block(
        self,
        messages: Sequence[Message],
        expected_bytes: int = 0,
        time_out_s: float | None = None,
        *,
        header: bool = False,
        block_end: str | None = None,
    ) -> memoryview:
        """Send messages of which the last asks for a definite-length block (IEEE 488.2, 8.7.9).

        The error queue is not looked at: see :meth:`check`.

        Args:
            expected_bytes: a guess at its length, so that it comes in few pieces.
            header: something may stand before its ``#``.
            block_end: what follows it, when that is not the driver's read termination.

        Returns:
            The data of the block, in one piece and not copied.

        Raises:
            InstrumentSilent, InstrumentRefused; InstrumentError when something else came.
        """
        if self._owed or self.wire.stray():
            self._recover()
        within = max(time_out_s or 0.0, self.wire.time_out_s)
        try:
            self._owed = True
            with self.wire.within(within):
                found = self.wire.block(
                    messages, expected_bytes, header=header, block_end=block_end
                )
            self._owed = False
        except LinkFailure as problem:
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
        self.wire.note("<", f"<block {found.length} bytes>")
        return found.data


def _joined(before: str, message: str) -> str:
    """One program message from two: each header begins at the root of the command tree."""
    if not before:
        return message
    return f"{before};{message}" if message[:1] in (":", "*") else f"{before};:{message}"


def _short(text: str) -> str:
    return text if len(text) <= 120 else text[:117] + "…"
