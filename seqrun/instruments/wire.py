"""The wire to one instrument: bytes out, bytes in, and a line in the log for each message.

What is said, and what an answer means, is the link's business (:mod:`~seqrun.instruments.link`).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Self

from seqrun.errors import InstrumentError, InstrumentSilent
from seqrun.files.driver import Manners
from seqrun.instruments.block import CHUNK, Block, from_stream, to_end

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

#: called with instrument, direction (">" sent, "<" received) and text of every message
MessageLog = Callable[[str, str, str], None]

LATE_ANSWERS = 8  # how many are thrown away before a link is given up


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
        self.manners = manners = manners or Manners()
        self.name = str(resource.resource_name)
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
    ) -> Self:
        """Open a resource by its VISA name. Nothing is sent.

        Raises:
            InstrumentSilent: nothing there, or it does not take the connection.
            InstrumentError: the resource does not carry messages.
        """
        from pyvisa.resources import MessageBasedResource

        where = f"{key} ({resource})"
        opened = None
        try:
            opened = manager.open_resource(resource)
            if isinstance(opened, MessageBasedResource):
                return cls(key, opened, log, manners)
        except Exception as problem:  # libraries raise bare Exception for a refused connection
            if opened is not None:
                opened.close()
            raise InstrumentSilent(
                f"cannot be opened: {str(problem) or type(problem).__name__}",
                expected="an instrument that is switched on and answers at that resource",
                where=where,
                hint="check power, cable and address, and the resource in the bench file",
            ) from problem
        opened.close()
        raise InstrumentError(
            "the resource does not carry messages",
            expected="an INSTR or SOCKET resource",
            where=where,
        )

    @property
    def where(self) -> str:
        """The instrument as errors name it."""
        return f"{self.key} ({self.name})"

    def listen(self, log: MessageLog) -> None:
        """From now on messages go to another log."""
        self._log = log

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

    def _block(
        self, messages: Sequence[str], expected_bytes: int, time_out_s: float | None
    ) -> Block:
        from pyvisa.constants import ResourceAttribute

        longer = time_out_s is not None and time_out_s > self._time_out_s
        terminator = self.manners.read_termination
        try:
            if longer:
                self._resource.timeout = (time_out_s or 0.0) * 1000.0
            if terminator:  # data may hold it
                self._resource.set_visa_attribute(ResourceAttribute.termchar_enabled, False)
            for message in messages:
                self._send(message)
            if self._stream:
                return from_stream(self._bytes, len(terminator))
            return to_end(self._bytes, self._more, expected_bytes)
        finally:
            if terminator:
                self._resource.set_visa_attribute(ResourceAttribute.termchar_enabled, True)
            if longer:
                self._resource.timeout = self._time_out_s * 1000.0

    def _bytes(self, count: int) -> tuple[bytes, Any]:
        return self._read(self._session, count)

    def _timed_out(self, problem: BaseException) -> bool:
        from pyvisa.constants import StatusCode

        return getattr(problem, "error_code", None) == StatusCode.error_timeout

    def _clear(self) -> None:
        """Device clear where the interface has one; else what has arrived is thrown away.

        A stream is emptied by reading: the libraries' own way of clearing a socket need not end
        when the instrument has hung up.
        """
        if self._stream:
            self._drain()
            return
        try:
            self._resource.clear()
        except NotImplementedError:
            self._drain()
        except self._failures as problem:
            # Not all interfaces have a device clear; a broken link shows at the next message.
            if self._timed_out(problem):
                raise
        self._log(self.key, ">", "<clear>")

    def _drain(self) -> None:
        try:
            for _ in range(LATE_ANSWERS):
                self._receive()
        except self._failures as problem:
            if not self._timed_out(problem):
                raise

    def close(self) -> None:
        """Give the resource back; never raises."""
        try:
            self._keep.close()
            self._resource.close()
        except Exception:  # the link may be gone already, and nothing depends on a good end
            pass
