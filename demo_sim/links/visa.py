"""The in-process PyVISA library: ``pyvisa.ResourceManager(DemoVisaLibrary(devices))``."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from typing import Any, Self, SupportsInt, cast

from pyvisa import constants, highlevel, rname
from pyvisa.constants import ResourceAttribute as Attribute
from pyvisa.constants import StatusCode
from pyvisa.typing import VISAEventContext, VISARMSession, VISASession
from pyvisa.util import DebugInfo, LibraryPath

from demo_sim.links.stream import ScpiStream
from demo_sim.scpi import ScpiDevice, ScpiError
from demo_sim.scpi.output import OutputQueue

RAW_SOCKET_PORT = 5025  # registered with IANA for SCPI over a raw socket ("scpi-raw")
DEFAULT_TIMEOUT_MS = 2000  # VPP-4.3, VI_ATTR_TMO_VALUE

# Looked up once: each exchange needs several, and an Enum's attributes are slow to reach.
_SUCCESS = StatusCode.success
_MAX_COUNT = StatusCode.success_max_count_read
_TERMCHAR = StatusCode.success_termination_character_read
_TIMEOUT = StatusCode.error_timeout

_numbers = itertools.count(1)


class Session:
    """What every session answers; a message-based one with END by default.

    ``write`` executes at once, while on a bench it would only hand over. The virtual time that the
    device took (``busy_s``) is what the controller has still to wait before it can read; it gets
    less while time passes elsewhere, and a ``read`` whose time-out is shorter fails, as on a bench.
    """

    resource_class = "INSTR"

    def __init__(self, device: ScpiDevice, resource_name: str, manager: VISARMSession) -> None:
        self.device = device
        self.turn = device.turn
        self.timeout_ms = DEFAULT_TIMEOUT_MS
        self.termchar = 0x0A
        self.termchar_enabled = False
        self.send_end = True
        self.busy_s = 0.0
        self.seen_s = 0.0
        self.attributes: dict[int, Any] = {
            Attribute.resource_manager_session: manager,
            Attribute.resource_name: resource_name,
            Attribute.resource_class: self.resource_class,
            Attribute.resource_manufacturer_name: "demo_sim",
            Attribute.resource_impl_version: 0x00100000,
            Attribute.resource_spec_version: 0x00700200,
            Attribute.resource_lock_state: constants.AccessModes.no_lock,
            Attribute.interface_type: constants.InterfaceType.tcpip,
            Attribute.interface_number: 0,
            Attribute.interface_instrument_name: "TCPIP0 (in process)",
            Attribute.suppress_end_enabled: constants.VisaBoolean.false,
        }

    def catch_up(self, now_s: float) -> None:
        """Time that passed since this session was last used has been waited already."""
        self.busy_s = max(0.0, self.busy_s - (now_s - self.seen_s))
        self.seen_s = now_s

    def still_busy(self, now_s: float) -> bool:
        """Whether a read gives up before the device has done what it was told."""
        self.catch_up(now_s)
        timeout_s = self.timeout_ms / 1000.0
        if self.timeout_ms != constants.VI_TMO_INFINITE and self.busy_s > timeout_s:
            self.busy_s -= timeout_s  # this much has been waited for; the next read needs less
            return True
        self.busy_s = 0.0
        return False

    def write(self, data: bytes) -> None:
        """Bytes from the controller."""
        self.device.receive(data, self.send_end)

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        """Bytes for the controller, and why the read ended."""
        output = self.device.output
        if not output.size:
            self.device.read_output(count)  # leaves the −420
            return b"", _TIMEOUT
        if self.termchar_enabled:
            return self.take(output, count)
        data = output.read(count)
        return data, _MAX_COUNT if output.size else _SUCCESS

    def take(self, output: OutputQueue, count: int) -> tuple[bytes, StatusCode]:
        """Up to ``count`` bytes, or to the termination character where that is enabled."""
        if self.termchar_enabled:
            data = output.read_until(self.termchar, count)
            if data[-1] == self.termchar:
                return data, _TERMCHAR
        else:
            data = output.read(count)
        return data, _MAX_COUNT if output.size else _SUCCESS

    def clear(self) -> StatusCode:
        """Device clear."""
        self.device.clear()
        self.busy_s = 0.0
        return StatusCode.success

    def poll(self) -> tuple[int, StatusCode]:
        """Serial poll."""
        return self.device.serial_poll(), StatusCode.success

    def trigger(self) -> StatusCode:
        """Bus trigger."""
        try:
            self.device.trigger()
        except ScpiError as error:
            self.device.push_error(error)
        return StatusCode.success


class SocketSession(Session):
    """A raw socket without the network: no END, responses queue up as they are made."""

    resource_class = "SOCKET"

    def __init__(self, device: ScpiDevice, resource_name: str, manager: VISARMSession) -> None:
        super().__init__(device, resource_name, manager)
        self._stream = ScpiStream(device)
        self._received = OutputQueue()

    def write(self, data: bytes) -> None:
        for response in self._stream.feed(data):
            for piece in response:
                self._received.append(piece)

    def read(self, count: int) -> tuple[bytes, StatusCode]:
        if not self._received.size:
            return b"", _TIMEOUT
        return self.take(self._received, count)

    def clear(self) -> StatusCode:
        # A socket has no device clear; as other libraries do, what has arrived is thrown away.
        self._received.clear()
        return StatusCode.success

    def poll(self) -> tuple[int, StatusCode]:
        return 0, StatusCode.error_nonsupported_operation

    def trigger(self) -> StatusCode:
        return StatusCode.error_nonsupported_operation


# Attributes that the sessions keep as plain fields, because each read or write looks at them.
_FIELDS: dict[int, tuple[str, Callable[[Any], Any]]] = {
    Attribute.timeout_value: ("timeout_ms", int),
    Attribute.termchar: ("termchar", int),
    Attribute.termchar_enabled: ("termchar_enabled", bool),
    Attribute.send_end_enabled: ("send_end", bool),
}


class DemoVisaLibrary(highlevel.VisaLibraryBase):
    """A VISA library whose only instruments are virtual ones in this process.

    Args:
        devices: host name → device; each answers at ``TCPIP0::<host>::INSTR`` and at
            ``TCPIP0::<host>::5025::SOCKET``.
        lock: held while a device works; the one that everything in the same world shares.
        now: virtual time in seconds. With it a read fails with a time-out when the device was
            busy for longer than that; without it, time is not looked at.
        wait: called with seconds when a read finds nothing and has to sit its time-out out.

    A read that finds nothing returns at once otherwise: in process everything that will be
    answered has been answered.
    """

    def __new__(
        cls,
        devices: Mapping[str, ScpiDevice],
        lock: AbstractContextManager[Any] | None = None,
        now: Callable[[], float] | None = None,
        wait: Callable[[float], None] | None = None,
    ) -> Self:
        # A path of its own: PyVISA hands out the same object again for the same path.
        path = LibraryPath(f"demo_sim-{next(_numbers)}")
        return cast(Self, super().__new__(cls, path))

    def __init__(
        self,
        devices: Mapping[str, ScpiDevice],
        lock: AbstractContextManager[Any] | None = None,
        now: Callable[[], float] | None = None,
        wait: Callable[[float], None] | None = None,
    ) -> None:
        self._devices = dict(devices)
        self._lock = lock if lock is not None else threading.RLock()
        self._now = now
        self._wait = wait
        self._sessions: dict[int, Session] = {}
        self._managers: set[int] = set()

    @staticmethod
    def get_debug_info() -> DebugInfo:
        """One line for ``pyvisa-info``."""
        return {"Version": "in-process virtual instruments"}

    # --- resources ---------------------------------------------------------------------------
    def open_default_resource_manager(self) -> tuple[VISARMSession, StatusCode]:
        """Session of the resource manager."""
        number = next(_numbers)
        self._managers.add(number)
        self._last_status_in_session[VISARMSession(number)] = StatusCode.success
        return VISARMSession(number), StatusCode.success

    def list_resources(self, session: VISARMSession, query: str = "?*::INSTR") -> tuple[str, ...]:
        """Resource names that match a VISA expression."""
        names = [f"TCPIP0::{host}::INSTR" for host in self._devices]
        names += [f"TCPIP0::{host}::{RAW_SOCKET_PORT}::SOCKET" for host in self._devices]
        return tuple(rname.filter(names, query))

    def open(
        self,
        session: VISARMSession,
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: SupportsInt = constants.VI_TMO_IMMEDIATE,
    ) -> tuple[VISASession, StatusCode]:
        """A session with the named device; ``VisaIOError`` when there is none of that name."""
        try:
            parsed = rname.parse_resource_name(resource_name)
        except rname.InvalidResourceName:
            self.handle_return_value(None, StatusCode.error_invalid_resource_name)
            raise
        device = self._devices.get(getattr(parsed, "host_address", ""))
        kind: type[Session] | None = None
        if isinstance(parsed, rname.TCPIPInstr):
            kind = Session
        elif isinstance(parsed, rname.TCPIPSocket) and int(parsed.port) == RAW_SOCKET_PORT:
            kind = SocketSession
        if device is None or kind is None:
            self.handle_return_value(None, StatusCode.error_resource_not_found)
        assert device is not None and kind is not None
        number = VISASession(next(_numbers))
        self._sessions[number] = kind(device, resource_name, session)
        self._last_status_in_session[number] = StatusCode.success
        return number, StatusCode.success

    def close(self, session: VISASession | VISARMSession | VISAEventContext) -> StatusCode:
        """End a session; the device keeps its settings."""
        if self._sessions.pop(session, None) is None and session not in self._managers:
            return self.handle_return_value(None, StatusCode.error_invalid_object)
        self._managers.discard(session)
        return StatusCode.success

    def _session(self, session: int) -> Session:
        found = self._sessions.get(session)
        if found is None:
            self.handle_return_value(None, StatusCode.error_invalid_object)
        assert found is not None
        return found

    # --- messages ----------------------------------------------------------------------------
    def write(self, session: VISASession, data: bytes) -> tuple[int, StatusCode]:
        """All of ``data``; what it asks for is done before this returns."""
        link = self._sessions.get(session) or self._session(session)
        now = self._now
        if now is None:  # a device that waits gives up the lock and keeps its turn
            with link.turn, self._lock:
                link.write(data)
        else:
            with self._lock:
                begun = now()
                if link.busy_s:
                    link.catch_up(begun)
                link.write(data)
                ended = now()
                if ended != begun and not link.device.moves_clock:
                    link.busy_s += ended - begun
                    link.seen_s = ended
        self._last_status_in_session[session] = _SUCCESS
        return len(data), _SUCCESS

    def read(self, session: VISASession, count: int) -> tuple[bytes, StatusCode]:
        """Up to ``count`` bytes; ``VisaIOError`` (time-out) when there is nothing to read."""
        link = self._sessions.get(session) or self._session(session)
        with link.turn, self._lock:
            if link.busy_s and self._now is not None and link.still_busy(self._now()):
                data, status = b"", _TIMEOUT
            else:
                data, status = link.read(count)
                if status is _TIMEOUT and self._wait is not None:
                    self._wait(link.timeout_ms / 1000.0)
        if status is _TIMEOUT:
            self.handle_return_value(session, status)
        self._last_status_in_session[session] = status
        return data, status

    def clear(self, session: VISASession) -> StatusCode:
        """Device clear; on a socket only what has arrived is thrown away."""
        link = self._session(session)
        with link.turn, self._lock:
            return self.handle_return_value(session, link.clear())

    def read_stb(self, session: VISASession) -> tuple[int, StatusCode]:
        """Serial poll; not on a socket."""
        link = self._session(session)
        with link.turn, self._lock:
            byte, status = link.poll()
        return byte, self.handle_return_value(session, status)

    def assert_trigger(
        self, session: VISASession, protocol: constants.TriggerProtocol
    ) -> StatusCode:
        """Bus trigger; not on a socket."""
        link = self._session(session)
        with link.turn, self._lock:
            return self.handle_return_value(session, link.trigger())

    def flush(self, session: VISASession, mask: constants.BufferOperation) -> StatusCode:
        """Nothing is buffered on the way out; on the way in, a discard empties a socket."""
        link = self._session(session)
        discards = (
            constants.BufferOperation.discard_read_buffer
            | constants.BufferOperation.discard_receive_buffer
        )
        if mask & discards and isinstance(link, SocketSession):
            link.clear()
        return StatusCode.success

    # --- attributes --------------------------------------------------------------------------
    def get_attribute(
        self,
        session: VISASession | VISARMSession | VISAEventContext,
        attribute: constants.ResourceAttribute | constants.EventAttribute,
    ) -> tuple[Any, StatusCode]:
        """An attribute's state; ``VisaIOError`` for those that make no sense here."""
        link = self._session(session)
        field = _FIELDS.get(attribute)
        if field is not None:
            return getattr(link, field[0]), StatusCode.success
        if attribute in link.attributes:
            return link.attributes[attribute], StatusCode.success
        return None, self.handle_return_value(session, StatusCode.error_nonsupported_attribute)

    def set_attribute(
        self,
        session: VISASession | VISARMSession | VISAEventContext,
        attribute: constants.ResourceAttribute | constants.EventAttribute,
        attribute_state: Any,
    ) -> StatusCode:
        """Change an attribute; ``VisaIOError`` for those that make no sense here."""
        link = self._session(session)
        field = _FIELDS.get(attribute)
        if field is not None:
            setattr(link, field[0], field[1](attribute_state))
        elif attribute in link.attributes:
            link.attributes[attribute] = attribute_state
        else:
            return self.handle_return_value(session, StatusCode.error_nonsupported_attribute)
        return StatusCode.success

    # --- events: there are none, and PyVISA switches them off when it closes a session ----------
    def disable_event(
        self,
        session: VISASession,
        event_type: constants.EventType,
        mechanism: constants.EventMechanism,
    ) -> StatusCode:
        """Nothing to disable."""
        return StatusCode.success

    def discard_events(
        self,
        session: VISASession,
        event_type: constants.EventType,
        mechanism: constants.EventMechanism,
    ) -> StatusCode:
        """Nothing to discard."""
        return StatusCode.success
