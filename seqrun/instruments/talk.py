"""What is said on a link and what comes back, one message at a time; and finding back into step.

An exchange that was cut off leaves an answer *owed*: it may still come. :meth:`Talk.into_step`
throws away what comes until the instrument tells its identity, so that no answer is ever taken for
that of another question.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NoReturn

from seqrun.errors import InstrumentRefused, InstrumentSilent
from seqrun.files import regular
from seqrun.files.driver.manners import Identity
from seqrun.instruments.failing import LinkFailure, TimedOut
from seqrun.instruments.wire import LATE_ANSWERS, Message, Wire

DRAIN_TIME_OUT_S = 1.0
TRY_TIME_OUT_S = 0.5  # for an acknowledgement that only some firmware sends
ADDRESS = "is it switched on, connected, and on the right address?"
SERIAL = (
    "is it switched on and connected, its remote control on, and the speed, parity and line ends "
    "those of its own menu? line = { … } of that instrument in the bench file sets them"
)
ECHO = "switch the echo off on the instrument's own menu"


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


class Talk:
    """Messages and their answers over one wire.

    Args:
        wire: to the instrument.
        question: how its identity is asked for.
        tail: what the link appends to messages by itself, which errors do not show.

    Attributes:
        identity: the answer to that question, "" before it was asked.
        owed: an answer may still come that nobody has read.
    """

    def __init__(self, wire: Wire, question: Identity, tail: str = "") -> None:
        self.wire, self.question, self.tail = wire, question, tail
        self.identity = ""
        self.owed = False
        manners = wire.manners
        self._acknowledge = manners.acknowledge
        self._always = manners.acknowledged == "all"  # after the answer to a query, too
        self._untried = manners.acknowledged == "try"

    def say(self, messages: Sequence[Message], answered: bool, form: Form = PLAIN) -> str:
        """Send each message and read what answers it.

        Args:
            answered: whether the last is answered, beside an acknowledgement.

        Raises:
            LinkFailure; InstrumentRefused: something else came than an acknowledgement.
        """
        wire = self.wire
        last = len(messages) - 1
        answer = ""
        for number, message in enumerate(messages):
            # Looked up for each: the first may have shown that this firmware acknowledges nothing.
            pattern = self._acknowledge if form.acknowledge is None else form.acknowledge
            if number == last and answered:
                self.owed = True
                wire.send(message)
                answer = wire.receive(form.length)
                if pattern and self._always:
                    self._acknowledgement(pattern, message)
                self.owed = False
            elif pattern:
                self.owed = True
                wire.send(message)
                self._acknowledgement(pattern, message)
                self.owed = False
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
            try:
                said = self.wire.receive()
            except TimedOut as nothing:
                nothing.acknowledgement = pattern
                raise
        if regular.compiled(pattern).search(said) is None:
            self.owed = False
            echoed = isinstance(message, str) and said.strip() == message.strip() != ""
            raise InstrumentRefused(
                f"answered \"{short(said)}\" to '{self.sent((message,))}'",
                expected=f"an acknowledgement that matches {pattern}",
                where=self.wire.where,
                hint=ECHO if echoed else "the command may be wrong, or another value than it takes",
            )

    def ask(self, message: Message) -> str:
        """One bare query.

        Raises:
            InstrumentSilent.
        """
        try:
            return self.say((message,), True)
        except LinkFailure as problem:
            self.silent((message,), problem)

    def sent(self, messages: Sequence[Message]) -> str:
        """What was sent, as errors show it."""
        shown = (m.removesuffix(self.tail) if isinstance(m, str) else m.hex(" ") for m in messages)
        return short("; ".join(shown))

    def silent(
        self, messages: Sequence[Message], problem: LinkFailure, waited_s: float | None = None
    ) -> NoReturn:
        """Tell that no answer came, and what a person can do about it.

        Raises:
            InstrumentSilent: always.
        """
        sent, expected = self.sent(messages), "an answer"
        seconds = self.wire.time_out_s if waited_s is None else waited_s
        hint = SERIAL if self.wire.serial else ADDRESS
        if not isinstance(problem, TimedOut):
            found = f"the link broke at '{sent}': {short(str(problem))}"
            hint = "check power and cable, then run again"
        elif problem.closed:
            found = f"closed the link at '{sent}'"
            hint = "another program may hold it; switch the instrument off and on again"
        elif problem.part and messages and problem.part.strip() == sent.strip():
            found = f"echoes '{sent}' and says nothing more"
            hint = ECHO
        elif problem.part and problem.length is not None:
            found = f"answered \"{short(problem.part)}\" to '{sent}': {len(problem.part)} bytes"
            expected = f"{problem.length} bytes"
            hint = "length of that operation in the driver file says how many come"
        elif problem.part:
            end = self.wire.manners.read_termination
            found = f"answered \"{short(problem.part)}\" to '{sent}', but the line did not end " \
                f"in {end!r}"  # fmt: skip
            hint = "read_termination under [link] of the driver file says how a line ends"
        elif problem.acknowledgement and self.identity:
            found = f"no acknowledgement within {seconds:g} s of '{sent}'"
            expected = f"one that matches {problem.acknowledgement}"
            hint = "if it acknowledges nothing, take acknowledge out of [link] of its driver file"
        else:
            asked = f" to '{sent}'" if messages else ", and it should speak by itself"
            found = f"no answer within {seconds:g} s{asked}"
        raise InstrumentSilent(
            found, expected=expected, where=self.wire.where, hint=hint
        ) from problem

    # --- in step -------------------------------------------------------------------------------

    @property
    def identity_message(self) -> Message:
        """The question for the identity, as it goes out."""
        question = self.question
        return bytes.fromhex(question.ask) if question.raw else question.ask

    def into_step(self) -> None:
        """Throw away what may still come, until the instrument answers what is asked now.

        Raises:
            InstrumentSilent: it does not.
        """
        question, wire = self.identity_message, self.wire
        with wire.within(max(DRAIN_TIME_OUT_S, self.question.time_out or 0.0)):
            try:
                # On a stream, what is still to come ends with the identity: nothing to wait for.
                # An answer without an end has to be waited for.
                by_lines = bool(wire.manners.read_termination)
                if not (self.identity and wire.stream and by_lines):
                    wire.clear()
                if not self.identity:
                    self.owed = False
                    return
                wire.send(question)
                for _ in range(LATE_ANSWERS):
                    said = wire.receive(self.question.length)
                    # A fingerprint may be a state, which changes; nothing older is left to come.
                    changing = self.question.tells == "fingerprint" and not by_lines
                    if said == self.identity or (changing and said):
                        if self._acknowledge and self._always:
                            wire.receive()
                        self.owed = False
                        return
            except LinkFailure as problem:
                self.silent((question,), problem)
        raise InstrumentSilent(
            "answers, but not what it was asked",
            expected="its identity",
            where=wire.where,
            hint="switch the instrument off and on again",
        )


def short(text: str) -> str:
    """A message or an answer, cut where it is too long for an error."""
    return text if len(text) <= 120 else text[:117] + "…"
