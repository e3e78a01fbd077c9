"""The wire to one instrument: bytes out, bytes in, and a line in the log for each message.

What is said, and what an answer means, is the link's business (:mod:`~seqrun.instruments.link`);
it uses the public methods here and nothing else.
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from typing import TYPE_CHECKING, Any, Self

from seqrun.errors import InstrumentError, InstrumentSilent
from seqrun.files.driver.manners import Manners
from seqrun.instruments.block import CHUNK, Block, from_stream, to_end
from seqrun.instruments.failing import Broken, LinkFailure, TimedOut
from seqrun.instruments.line import no_delay, set_serial
from seqrun.instruments.trouble import cannot_open

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

#: called with instrument, direction (">" sent, "<" received) and text of every message
MessageLog = Callable[[str, str, str], None]
Message = str | bytes  # text gets the terminator; bytes go out as they are

LATE_ANSWERS = 8  # how many are thrown away before a link is given up
OPEN_AGAIN_MS = 3000  # for a connection that is opened once more on the way to the safe state
LONGEST_SILENT = 100_000  # bytes of an answer that ends in silence


class Wire:
    """An open PyVISA resource, used the way its driver file says.

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
        self.manners = manners or Manners()
        self.name = str(resource.resource_name)
        self._log = log
        self._more = StatusCode.success_max_count_read
        self._time_out = StatusCode.error_timeout
        self._failures = (errors.VisaIOError, errors.InvalidSession, OSError, EOFError)
        parsed = rname.parse_resource_name(self.name)
        self.serial = parsed.interface_type_const == InterfaceType.asrl
        # A raw socket or serial line has no END: a block has to be read by its stated length.
        self.stream = parsed.resource_class == "SOCKET" or self.serial
        self._end = self.manners.write_termination.encode("latin-1")
        self.time_out_s = self.manners.time_out
        self.waited_s = self.time_out_s  # the time-out of the present exchange
        self._pacing_s = self.manners.pacing
        self._not_before = 0.0
        self._part = b""
        self._again: Callable[[], MessageBasedResource] | None = None
        self._take(resource)

    def _take(self, resource: MessageBasedResource) -> None:
        """Use a resource that was just opened."""
        from pyvisa.constants import StatusCode

        self._resource = resource
        # The library's own calls: PyVISA's write and query put several Python frames on each.
        self._session: Any = resource.session
        self._write: Callable[[Any, bytes], Any] = resource.visalib.write
        self._read: Callable[[Any, int], tuple[bytes, Any]] = resource.visalib.read
        self._keep = ExitStack()
        # A read that fills its buffer is no reason to warn: the rest is read next.
        self._keep.enter_context(
            resource.ignore_warning(
                StatusCode.success_max_count_read, StatusCode.success_device_not_present
            )
        )
        sessions = getattr(resource.visalib, "sessions", None)
        session = sessions.get(self._session) if isinstance(sessions, dict) else None
        #: PyVISA-py's own socket or serial port, None with another library
        self._port: Any = getattr(session, "interface", None) if self.stream else None
        self._pending: Any = session if self._port is not None else None
        if self._pending is not None:
            self._read = self._read_port
        resource.timeout = self.time_out_s * 1000.0
        self._text_mode(True)
        if self.serial:
            set_serial(resource, self.manners)
        elif self.stream:
            no_delay(resource, self._port)

    @classmethod
    def open(
        cls,
        key: str,
        resource: str,
        manager: ResourceManager,
        log: MessageLog,
        manners: Manners | None = None,
    ) -> Self:
        """Open a resource by its VISA name. Nothing is sent.

        Raises:
            InstrumentSilent: nothing there, or it does not take the connection.
            InstrumentError: the resource does not carry messages.
        """

        def once(**how: Any) -> MessageBasedResource:
            from pyvisa.resources import MessageBasedResource

            opened = manager.open_resource(resource, **how)
            if isinstance(opened, MessageBasedResource):
                return opened
            opened.close()
            raise InstrumentError(
                "the resource does not carry messages",
                expected="an INSTR or SOCKET resource",
                where=f"{key} ({resource})",
            )

        opened = None
        try:
            opened = once()
            wire = cls(key, opened, log, manners)
        except InstrumentError:
            raise
        except Exception as problem:  # libraries raise bare Exception for a refused connection
            if opened is not None:
                opened.close()
            raise cannot_open(key, resource, problem) from problem
        wire._again = lambda: once(open_timeout=OPEN_AGAIN_MS)
        return wire

    def reopen(self) -> None:
        """Open the resource once more after the link broke. Nothing is sent.

        Raises:
            InstrumentSilent: it cannot be opened, or was not opened by its name.
        """
        if self._again is None:
            raise InstrumentSilent(
                "the link cannot be opened again", expected="one opened by its resource name",
                where=self.where,
            )  # fmt: skip
        self.close()
        try:
            self._take(self._again())
        except InstrumentError:
            raise
        except Exception as problem:  # as at the first opening
            raise cannot_open(self.key, self.name, problem) from problem
        self._log(self.key, ">", "<opened again>")

    @property
    def where(self) -> str:
        """The instrument as errors name it."""
        return f"{self.key} ({self.name})"

    def listen(self, log: MessageLog) -> None:
        """From now on messages go to another log."""
        self._log = log

    def note(self, direction: str, text: str) -> None:
        """A line in the log that is no message."""
        self._log(self.key, direction, text)

    # --- how the line is set ---------------------------------------------------------------------

    def _text_mode(self, on: bool) -> None:
        """Whether a terminator ends a read; data may hold it."""
        from pyvisa.constants import ResourceAttribute, SerialTermination

        terminator = self.manners.read_termination
        if terminator and on:
            self._resource.read_termination = terminator[-1]
        elif on:
            self._resource.read_termination = None
        ended = bool(terminator) and on
        if terminator:
            self._resource.set_visa_attribute(ResourceAttribute.termchar_enabled, ended)
        if self.serial:
            how = SerialTermination.termination_char if ended else SerialTermination.none
            self._resource.set_visa_attribute(ResourceAttribute.asrl_end_in, how)

    # --- out -------------------------------------------------------------------------------------

    def send(self, message: Message) -> None:
        """One message, after the pause that the instrument wants.

        Raises:
            LinkFailure.
        """
        if self._pacing_s or self._not_before:
            self._pace()
        try:
            if isinstance(message, str):
                self._write(self._session, message.encode("latin-1") + self._end)
            else:
                self._write(self._session, message)
        except self._failures as problem:
            raise self._failed(problem) from problem
        self._log(self.key, ">", message if isinstance(message, str) else f"<{message.hex(' ')}>")

    def end_message(self) -> None:
        """The bare terminator: it ends what may have been sent in part."""
        try:
            self._write(self._session, self._end or b"\n")
        except self._failures as problem:
            raise self._failed(problem) from problem

    def hold(self, seconds: float) -> None:
        """The next message goes out no sooner than that."""
        self._not_before = time.monotonic() + seconds

    def _pace(self) -> None:
        now = time.monotonic()
        if now < self._not_before:
            time.sleep(self._not_before - now)  # the instrument's own pacing: no answer ends it
            now = self._not_before
        self._not_before = now + self._pacing_s if self._pacing_s else 0.0

    # --- in --------------------------------------------------------------------------------------

    def receive(self, length: int | None = None) -> str:
        """One answer, without its terminator; exactly ``length`` bytes when that is said.

        Raises:
            LinkFailure.
        """
        try:
            if length is not None:
                data = self._exactly(length)
                answer = data.decode("latin-1")
            elif self.manners.answer_ends == "silence":
                answer = self._until_silence().decode("latin-1").strip("\r\n")
            else:
                data, status = self._read(self._session, CHUNK)
                while status == self._more:
                    more, status = self._read(self._session, CHUNK)
                    data += more
                # A line feed may lead: that of the answer before, where firmware differs.
                answer = data.decode("latin-1").removesuffix(self.manners.read_termination)
                answer = answer.strip("\r\n")
        except self._failures as problem:
            raise self._failed(problem) from problem
        self._log(self.key, "<", answer)
        return answer

    def _exactly(self, count: int) -> bytes:
        if self.manners.read_termination:
            self._text_mode(False)
        try:
            data = b""
            while len(data) < count:
                try:
                    more, _ = self._read(self._session, count - len(data))
                except self._failures as problem:
                    failure = self._failed(problem)
                    if isinstance(failure, TimedOut):
                        failure.length = count
                        failure.part = data.decode("latin-1") + failure.part
                    raise failure from problem
                data += more
            return data
        finally:
            if self.manners.read_termination:
                self._text_mode(True)

    def _until_silence(self) -> bytes:
        """What comes until nothing more has come for a while, byte by byte: a longer read that
        times out loses what it had."""
        data, _ = self._read(self._session, 1)
        self._resource.timeout = max(1.0, self.manners.silence * 1000.0)
        try:
            while len(data) < LONGEST_SILENT:
                more, _ = self._read(self._session, 1)
                data += more
        except self._failures as problem:
            if not self._is_time_out(problem):
                raise
        finally:
            self._resource.timeout = self.waited_s * 1000.0
        return data

    def block(
        self,
        messages: Sequence[Message],
        expected_bytes: int,
        *,
        block_end: str | None = None,
        header: bool = False,
    ) -> Block:
        """Send messages, and read the block that answers the last.

        Raises:
            LinkFailure; NoBlock when something else came.
        """
        end = self.manners.read_termination if block_end is None else block_end
        try:
            self._text_mode(False)
            for message in messages:
                self.send(message)
            if self.stream:
                return from_stream(self._bytes, len(end), header)
            return to_end(self._bytes, self._more, expected_bytes, header)
        except self._failures as problem:
            raise self._failed(problem) from problem
        finally:
            with suppress(*self._failures):  # the link is gone: its failure is on its way
                self._text_mode(True)

    def _read_port(self, _session: Any, count: int) -> tuple[bytes, Any]:
        """A read from PyVISA-py's own session that keeps what came before it timed out.

        Its own read of a socket that the other side has closed asks again and again until the
        time-out, with the whole of a processor: the unit would be unguarded for that long.
        """
        from pyvisa.errors import VisaIOError

        if not self.serial and not getattr(self._pending, "_pending_buffer", b""):
            select.select([self._port], [], [], self._pending.timeout)
            if self._hung_up():
                raise VisaIOError(self._time_out)
        data, status = self._pending.read(count)
        if status < 0:
            self._part = bytes(data)
            raise VisaIOError(status)
        return data, status

    def _bytes(self, count: int) -> tuple[bytes, Any]:
        return self._read(self._session, count)

    def stray(self) -> bool:
        """Whether bytes are there that nobody asked for. Known of raw sockets and serial lines
        only; the other links throw an unread answer away themselves (IEEE 488.2, 6.3.2.3)."""
        port = self._port
        if port is None:
            return False
        try:
            if self.serial:
                if self.manners.read_termination == "\r" and port.in_waiting:
                    # Newer firmware of a family may end its lines with a line feed more.
                    return bool(port.read(1) != b"\n" or port.in_waiting)
                return bool(port.in_waiting)
            pending = self._pending
            if pending is not None and len(getattr(pending, "_pending_buffer", ())):
                return True
            ready, _, _ = select.select([port], [], [], 0)
        except (OSError, ValueError):
            return False  # the link is gone: the next message tells
        return bool(ready) and not self._hung_up()

    def forget_what_came(self) -> None:
        """Throw away what has arrived on a stream, and wait for nothing.

        Raises:
            LinkFailure.
        """
        port = self._port
        if port is None:
            return
        try:
            if self.serial:
                port.reset_input_buffer()
                return
            with suppress(AttributeError):  # what the library has read ahead, where it does so
                self._pending._pending_buffer.clear()
            while select.select([port], [], [], 0)[0]:
                if not port.recv(CHUNK):
                    raise Broken("the other side has closed the connection")
        except self._failures as problem:
            raise self._failed(problem) from problem

    def _hung_up(self) -> bool:
        """Whether the other side of a socket has closed it."""
        import socket

        port = self._port
        if port is None or self.serial:
            return False
        try:
            ready, _, _ = select.select([port], [], [], 0)
            return bool(ready) and port.recv(1, socket.MSG_PEEK) == b""
        except (OSError, ValueError):
            return True

    # --- trouble ---------------------------------------------------------------------------------

    @contextmanager
    def within(self, seconds: float) -> Iterator[None]:
        """Another time-out meanwhile."""
        before = self.waited_s
        if seconds == before:
            yield
            return
        self.waited_s = seconds
        try:
            with suppress(*self._failures):  # a serial port that is gone refuses even this; what
                self._resource.timeout = seconds * 1000.0  # is sent or read next tells
            yield
        finally:
            self.waited_s = before
            with suppress(*self._failures):  # the link is gone: its failure is on its way
                self._resource.timeout = before * 1000.0

    def _is_time_out(self, problem: BaseException) -> bool:
        from pyvisa.errors import VisaIOError

        return isinstance(problem, VisaIOError) and problem.error_code == self._time_out

    def _failed(self, problem: BaseException) -> LinkFailure:
        if not self._is_time_out(problem):
            return Broken(str(problem) or type(problem).__name__)
        part, self._part = self._part.decode("latin-1"), b""
        return TimedOut(str(problem), part, self._hung_up())

    def clear(self) -> None:
        """Device clear where the interface has one; else what has arrived is thrown away.

        A stream is emptied by reading: the libraries' own way of clearing a socket need not end
        when the instrument has hung up.

        Raises:
            LinkFailure.
        """
        if self.stream:
            self._drain()
            return
        try:
            self._resource.clear()
        except NotImplementedError:
            self._drain()
        except self._failures as problem:
            # Not all interfaces have a device clear; a broken link shows at the next message.
            if self._is_time_out(problem):
                raise self._failed(problem) from problem
        self._log(self.key, ">", "<clear>")

    def _drain(self) -> None:
        try:
            for _ in range(LATE_ANSWERS):
                self.receive()
        except TimedOut as nothing_more:
            if nothing_more.closed:
                raise Broken("the other side has closed the connection") from nothing_more

    def close(self) -> None:
        """Give the resource back; never raises."""
        try:
            self._keep.close()
            self._resource.close()
        except Exception:  # the link may be gone already, and nothing depends on a good end
            pass
