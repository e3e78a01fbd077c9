"""The link: the one place where anything is said to an instrument.

Every message passes through :meth:`Link.exchange` or :meth:`Link.block`, so it can be listened to
there. The error queue is looked at after each group of commands (:mod:`.checking`): usually as part
of the same message (``VOLT 3;:SYST:ERR?``), which costs no exchange of its own and also tells that
the instrument has taken the commands before it.

The next exchange after one that was cut off, and after an answer that nobody asked for, first
brings the link back in step (:mod:`.talk`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NoReturn, Self

from seqrun.errors import (
    InstrumentError,
    InstrumentRefused,
    InstrumentSilent,
    SeqrunError,
    WrongInstrument,
)
from seqrun.files.driver.manners import Identity, Manners
from seqrun.instruments import error_queue
from seqrun.instruments.block import NoBlock
from seqrun.instruments.checking import ErrorCheck
from seqrun.instruments.failing import LinkFailure, TimedOut
from seqrun.instruments.talk import PLAIN, Form, Talk
from seqrun.instruments.wire import Message, MessageLog, Wire

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

__all__ = ["Form", "Link", "MessageLog"]


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
        self.manners = wire.manners
        self.talk = Talk(wire, identity or Identity())
        self._errors = ErrorCheck(self.talk)
        self._users = 1

    @property
    def identity(self) -> str:
        """The answer to the question for its identity, as it was read last; "" before."""
        return self.talk.identity

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
        return self._errors.compose(messages, check)

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
        if self.talk.owed or self.wire.stray():
            self._recover()
        if time_out_s is not None and time_out_s > self.wire.time_out_s:
            with self.wire.within(time_out_s):
                return self._exchange(messages, asks, check, form)
        return self._exchange(messages, asks, check, form)

    def overheard(self, time_out_s: float | None = None) -> str:
        """What an instrument says by itself that speaks without being asked: the next whole line,
        or the next burst, from now on. What came before is old, and what is under way is cut.

        Raises:
            InstrumentSilent: it does not speak.
        """
        wire = self.wire
        try:
            with wire.within(max(time_out_s or 0.0, wire.time_out_s)):
                wire.forget_what_came()
                wire.receive()
                return wire.receive()
        except LinkFailure as problem:
            self.talk.silent((), problem)

    def _exchange(
        self, messages: Sequence[Message], asks: bool, check: bool, form: Form = PLAIN
    ) -> str:
        errors, wire = self._errors, self.wire
        appended = check and errors.appended
        answer = self._said(messages, asks or appended, form)
        if appended:
            answer, separator, error = answer.rpartition(";")
            if not (error.startswith(("0,", "+0,", " 0,")) and bool(separator) == asks):
                rest = errors.closer(answer + separator + error, messages, asks)
                return self._once_more(messages, asks, True) if rest is None else rest
            errors.joins_taken = True
        elif check and errors.separate:
            if not errors.look(messages):
                return self._once_more(messages, asks, True, form)
        elif asks and wire.stream and self.manners.error_check == "none" and wire.stray():
            # Two answers to one question: which is which is not known.
            return self._once_more(messages, asks, False, form)
        return answer

    def _said(self, messages: Sequence[Message], answered: bool, form: Form) -> str:
        try:
            return self.talk.say(messages, answered, form)
        except LinkFailure as problem:
            self._no_answer(messages, problem)

    def _once_more(
        self, messages: Sequence[Message], asks: bool, check: bool, form: Form = PLAIN
    ) -> str:
        """The link is out of step: bring it in step and say it again. An operation sets a state
        or asks for one, so that twice is no more than once."""
        self.talk.owed = True
        self._recover()
        errors = self._errors
        appended = check and errors.appended
        answer = self._said(messages, asks or appended, form)
        if appended:
            found = error_queue.split(answer)
            if found is None:
                self._out_of_step(messages)
            answer, entry = found
            errors.accept(entry, messages)
            right = bool(answer) == asks
        elif check and errors.separate:
            right = errors.look(messages)
        else:
            right = not self.wire.stray()
        if not right:
            self._out_of_step(messages)
        return answer

    def _out_of_step(self, messages: Sequence[Message]) -> NoReturn:
        self.talk.owed = True
        raise InstrumentError(
            f"an answer came that nobody asked for, about '{self.talk.sent(messages)}'",
            expected="one answer to each question",
            where=self.where,
            hint="see that nothing else talks to the instrument, and that its driver says whether "
            f"writes are acknowledged and how long answers are{self._errors.hint}",
        )

    def _no_answer(self, messages: Sequence[Message], problem: LinkFailure) -> NoReturn:
        waited_s = self.wire.waited_s
        gone = not isinstance(problem, TimedOut) or problem.closed
        if not gone and self.manners.error_check != "none":
            try:
                self.talk.into_step()
                self._errors.after_silence(messages)
            except InstrumentSilent:
                pass  # then the first silence is what is reported
        self.talk.silent(messages, problem, waited_s)

    # --- errors --------------------------------------------------------------------------------

    def check(self, messages: Sequence[Message] = ()) -> None:
        """Look at the error queue now; ``messages`` are what the blame goes to.

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        if self.manners.error_check == "none" or not self.manners.error_query:
            return
        if not self._errors.look(messages):
            self.talk.owed = True
            self._recover()
            if not self._errors.look(messages):
                self._out_of_step(messages or (self.manners.error_query,))

    def errors(self) -> list[str]:
        """What the error queue holds, emptied by asking; [] without a queue."""
        return self._errors.entries()

    # --- out of step ---------------------------------------------------------------------------

    def _recover(self) -> None:
        """Into step after an exchange that was cut off, and forget what that left in the queue."""
        self.talk.into_step()
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
        if self.talk.owed or self.wire.stray():
            try:
                self.wire.end_message()
                for message in messages:
                    self.wire.send(message)
            except LinkFailure:
                pass  # the same commands follow, and their failure is reported
            self.talk.owed = True
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
        self.talk.owed = False
        if not before:
            return
        self.talk.identity = ""
        try:
            found = self.identify()
        finally:
            self.talk.identity = before
        if found != before:
            self.talk.owed = True
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
        talk = self.talk
        talk.identity = self.exchange(
            (talk.identity_message,), True, check=False, time_out_s=talk.question.time_out,
            form=Form(talk.question.length),
        )  # fmt: skip
        return talk.identity

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
        if self.talk.owed or self.wire.stray():
            self._recover()
        within = max(time_out_s or 0.0, self.wire.time_out_s)
        try:
            self.talk.owed = True
            with self.wire.within(within):
                found = self.wire.block(
                    messages, expected_bytes, header=header, block_end=block_end
                )
            self.talk.owed = False
        except LinkFailure as problem:
            self._no_answer(messages, problem)
        except NoBlock as problem:
            self.talk.into_step()
            self.check(messages)
            raise InstrumentError(
                f"answered \"{problem}\" to '{self.talk.sent(messages)}'",
                expected="a definite-length block (#, digits, bytes)",
                where=self.where,
                hint="see that the driver file asks for binary samples",
            ) from None
        self.wire.note("<", f"<block {found.length} bytes>")
        return found.data
