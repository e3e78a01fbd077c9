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
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Final, NoReturn

from seqrun.errors import InstrumentError, InstrumentRefused, InstrumentSilent
from seqrun.files.driver import Manners

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

#: called with instrument, direction (">" sent, "<" received) and text of every message
MessageLog = Callable[[str, str, str], None]

CHUNK = 20 * 1024  # bytes asked for at once when the length of an answer is not known
LARGEST_BLOCK = 1 << 30
LATE_ANSWERS = 8  # how many are thrown away before a link is given up
DRAIN_TIME_OUT_S = 1.0
MOST_ERRORS = 20

_APPENDED_ERROR: Final = re.compile(r"(?:^|;)([+-]?\d+\s*,\s*\"(?:[^\"]|\"\")*\")\s*$")
_ERROR: Final = re.compile(r"^\s*([+-]?\d+)\s*,?\s*(.*?)\s*$", re.DOTALL)


class Link:
    """A session with one instrument.

    Args:
        key: what the bench calls the instrument.
        resource: its open PyVISA resource; :meth:`open` makes it from a name.
        log: gets every message.
        manners: from the driver file.
    """

    def __init__(
        self,
        key: str,
        resource: MessageBasedResource,
        log: MessageLog,
        manners: Manners | None = None,
    ) -> None:
        from pyvisa import errors, rname
        from pyvisa.constants import InterfaceType, StatusCode

        self.key = key
        self.manners = manners = manners or Manners()
        self.name = str(resource.resource_name)
        self.identity = ""
        self._resource = resource
        self._log = log
        # The library's own calls: PyVISA's write and query put several Python frames on each.
        self._session: Any = resource.session
        self._write: Callable[[Any, bytes], Any] = resource.visalib.write
        self._read: Callable[[Any, int], tuple[bytes, StatusCode]] = resource.visalib.read
        self._more = StatusCode.success_max_count_read
        self._failures = (errors.VisaIOError, errors.InvalidSession, OSError, EOFError)
        parsed = rname.parse_resource_name(self.name)
        # A raw socket or serial line has no END: a block has to be read by its stated length.
        self._stream = (
            parsed.resource_class == "SOCKET" or parsed.interface_type_const == InterfaceType.asrl
        )
        self._end = manners.write_termination
        self._time_out_s = manners.time_out
        self._pacing_s = manners.pacing
        self._not_before = 0.0
        self._owed = False
        self._appended = manners.error_check == "appended" and bool(manners.error_query)
        self._tail = _joined("*", manners.error_query)[1:] if self._appended else ""
        self._no_error = re.compile(manners.no_error)
        self._keep = ExitStack()
        # A read that fills its buffer is no reason to warn: the rest is read next.
        self._keep.enter_context(
            resource.ignore_warning(
                StatusCode.success_max_count_read, StatusCode.success_device_not_present
            )
        )
        resource.timeout = self._time_out_s * 1000.0
        resource.read_termination = manners.read_termination or None
        if manners.baud_rate is not None:
            resource.baud_rate = manners.baud_rate  # type: ignore[attr-defined]

    @classmethod
    def open(
        cls,
        key: str,
        resource: str,
        manager: ResourceManager,
        log: MessageLog,
        manners: Manners | None = None,
    ) -> Link:
        """Open a resource by its VISA name. Nothing is sent.

        Raises:
            InstrumentSilent: nothing there, or it does not take the connection.
            InstrumentError: the resource does not carry messages.
        """
        from pyvisa.resources import MessageBasedResource

        where = f"{key} ({resource})"
        try:
            opened = manager.open_resource(resource)
        except Exception as problem:  # libraries raise bare Exception for a refused connection
            raise InstrumentSilent(
                f"cannot be opened: {str(problem) or type(problem).__name__}",
                expected="an instrument that is switched on and answers at that resource",
                where=where,
                hint="check power, cable and address, and the resource in the bench file",
            ) from problem
        if not isinstance(opened, MessageBasedResource):
            opened.close()
            raise InstrumentError(
                "the resource does not carry messages", expected="an INSTR or SOCKET resource",
                where=where,
            )  # fmt: skip
        return cls(key, opened, log, manners)

    @property
    def where(self) -> str:
        """The instrument as errors name it."""
        return f"{self.key} ({self.name})"

    # --- commands and queries ------------------------------------------------------------------

    def write(self, *messages: str) -> None:
        """Send a group of commands and see that the error queue is empty afterwards.

        Raises:
            InstrumentSilent, InstrumentRefused.
        """
        self.exchange(self.compose(messages), False)

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

    def _send(self, message: str) -> None:
        if self._pacing_s:
            self._pace()
        self._write(self._session, (message + self._end).encode("latin-1"))
        self._log(self.key, ">", message)

    def _pace(self) -> None:
        now = time.monotonic()
        if now < self._not_before:
            time.sleep(self._not_before - now)
            now = self._not_before
        self._not_before = now + self._pacing_s

    def _receive(self) -> str:
        data, status = self._read(self._session, CHUNK)
        while status == self._more:
            more, status = self._read(self._session, CHUNK)
            data += more
        answer = data.decode("latin-1").rstrip("\r\n")
        self._log(self.key, "<", answer)
        return answer

    # --- errors --------------------------------------------------------------------------------

    def _look_closer(self, answer: str, messages: Sequence[str]) -> str:
        """An answer whose appended error is not plainly zero."""
        found = _APPENDED_ERROR.search(answer)
        if found is None:
            raise InstrumentError(
                f'answered "{_short(answer)}"',
                expected="an answer with an entry of the error queue at its end",
                where=self.where,
                hint='set error_check = "separate" under [link] of the driver file, for an '
                "instrument that does not take several queries in one message",
            )
        if not self._no_error.match(found.group(1)):
            self._refuse(found.group(1), messages)
        return answer[: found.start()]

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
                others.append(further)
        except InstrumentSilent:
            pass  # the first error is what matters
        sent = "; ".join(message.removesuffix(self._tail) for message in messages)
        parts = _ERROR.match(error)
        number, text = parts.groups() if parts else ("", error)
        text = text.strip('"')
        more = f" (and {len(others)} more: {'; '.join(others)})" if others else ""
        raise InstrumentRefused(
            f"error {number} \"{text}\" after '{_short(sent)}'{more}",
            expected="an empty error queue",
            where=self.where,
            hint="the error number is explained in the instrument's programming manual; the "
            "command stands in the driver file",
        )

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

    def _timed_out(self, problem: BaseException) -> bool:
        from pyvisa.constants import StatusCode

        return getattr(problem, "error_code", None) == StatusCode.error_timeout

    def _silent(
        self, messages: Sequence[str], problem: BaseException, waited_s: float | None = None
    ) -> NoReturn:
        sent = "; ".join(message.removesuffix(self._tail) for message in messages)
        if self._timed_out(problem):
            seconds = self._time_out_s if waited_s is None else waited_s
            found = f"no answer within {seconds:g} s to '{_short(sent)}'"
            hint = "is it switched on, connected, and on the right address?"
        else:
            found = f"the link broke at '{_short(sent)}': {_short(str(problem))}"
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

    def _clear(self) -> None:
        """Device clear where the library and the interface have one."""
        try:
            self._resource.clear()
        except NotImplementedError:
            pass
        except self._failures as problem:
            # Not all interfaces have a device clear; a broken link shows at the next message.
            if self._timed_out(problem):
                raise
        self._log(self.key, ">", "<clear>")

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
        from pyvisa.constants import ResourceAttribute

        if self._owed:
            self._recover()
        if time_out_s is not None and time_out_s > self._time_out_s:
            self._resource.timeout = time_out_s * 1000.0
        # Data may hold the termination character.
        terminated = bool(self.manners.read_termination)
        if terminated:
            self._resource.set_visa_attribute(ResourceAttribute.termchar_enabled, False)
        try:
            self._owed = True
            for message in messages:
                self._send(message)
            whole, start, length = (
                self._stream_block() if self._stream else self._end_block(expected_bytes)
            )
            self._owed = False
        except self._failures as problem:
            self._no_answer(messages, problem)
        except _NoBlock as problem:
            self._into_step()
            self.check(messages)
            raise InstrumentError(
                f"answered \"{problem}\" to '{_short('; '.join(messages))}'",
                expected="a definite-length block (#, digits, bytes)",
                where=self.where,
                hint="see that the driver file asks for binary samples",
            ) from None
        finally:
            if terminated:
                self._resource.set_visa_attribute(ResourceAttribute.termchar_enabled, True)
            self._resource.timeout = self._time_out_s * 1000.0
        self._log(self.key, "<", f"<block {length} bytes>")
        return memoryview(whole)[start : start + length]

    def _stream_block(self) -> tuple[bytes, int, int]:
        """Header, data and terminator by their exact lengths."""
        begin = self._exactly(2)
        if begin[:1] != b"#" or begin[1:] not in _DIGITS:
            raise _NoBlock(begin)
        digits = self._exactly(int(begin[1:]))
        length = _length(begin, digits)
        data = self._exactly(length)
        self._exactly(len(self.manners.read_termination) or 1)
        return data, 0, length

    def _exactly(self, count: int) -> bytes:
        data, _ = self._read(self._session, count)
        if len(data) == count:
            return data
        parts = [data]
        missing = count - len(data)
        while missing:
            data, _ = self._read(self._session, missing)
            parts.append(data)
            missing -= len(data)
        return b"".join(parts)

    def _end_block(self, expected_bytes: int = 0) -> tuple[bytes, int, int]:
        """All up to END, then the data inside it."""
        ask = max(CHUNK, min(expected_bytes + 64, LARGEST_BLOCK))
        data, status = self._read(self._session, ask)
        if status == self._more:
            parts = [data]
            while status == self._more:
                data, status = self._read(self._session, ask)
                parts.append(data)
            data = b"".join(parts)
        if data[:1] != b"#" or data[1:2] not in _DIGITS:
            raise _NoBlock(data)
        start = 2 + int(data[1:2])
        length = _length(data[:2], data[2:start])
        if len(data) < start + length:
            raise _NoBlock(b"%s..., %d bytes of %d" % (data[:start], len(data) - start, length))
        return data, start, length

    def close(self) -> None:
        """Give the resource back; never raises."""
        try:
            self._keep.close()
            self._resource.close()
        except Exception:  # the link may be gone already, and nothing depends on a good end
            pass


_DIGITS = frozenset(b"%d" % n for n in range(1, 10))


class _NoBlock(Exception):  # noqa: N818 - never leaves this module
    """What came instead of a block."""

    def __init__(self, data: bytes) -> None:
        super().__init__(_short(data.decode("latin-1").rstrip("\r\n")))


def _length(begin: bytes, digits: bytes) -> int:
    if not digits.isdigit():
        raise _NoBlock(begin + digits)
    length = int(digits)
    if length > LARGEST_BLOCK:
        raise _NoBlock(begin + digits)
    return length


def _joined(before: str, message: str) -> str:
    """One program message from two: each header begins at the root of the command tree."""
    if not before:
        return message
    return f"{before};{message}" if message[:1] in (":", "*") else f"{before};:{message}"


def _short(text: str) -> str:
    return text if len(text) <= 120 else text[:117] + "…"
