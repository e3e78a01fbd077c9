"""A virtual instrument on a TCP port, for any VISA client (``TCPIP0::…::SOCKET``).

Built for clients that are slow, send a byte at a time, too much, or nonsense, never read what they
asked for, or vanish: each connection has its own thread and its own half-received message, memory
per connection is bounded, the lock is held only while the device works and never while bytes
travel, and a client that does not take its response within ``send_timeout`` is dropped.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from typing import Any, Self

from demo_sim.links.stream import ScpiStream
from demo_sim.lock import Interrupted, WorldLock
from demo_sim.scpi import ScpiDevice

_log = logging.getLogger(__name__)

_CHUNK = 1 << 16


class ScpiTcpServer:
    """Serves one device; listens from construction until ``close``.

    Args:
        device: the instrument; its settings are shared by all connections, as on a real one.
        host: address to bind; loopback unless told otherwise, for a simulated instrument has no
            password.
        port: TCP port; 0 takes a free one (see ``port`` afterwards).
        lock: held while the device works, though not while it waits for the wall clock; devices
            that share a world share it.
        most_connections: further clients are turned away at once.
        send_timeout: seconds within which a client has to take each piece of a response.

    Raises:
        OSError: the port is taken or the address is not this machine's.
    """

    def __init__(
        self,
        device: ScpiDevice,
        host: str = "127.0.0.1",
        port: int = 0,
        *,
        lock: WorldLock | None = None,
        most_connections: int = 32,
        send_timeout: float = 10.0,
    ) -> None:
        self._device = device
        self._lock = lock if lock is not None else WorldLock()
        self._most_connections = most_connections
        self._send_timeout = send_timeout
        self._connections: dict[socket.socket, threading.Thread] = {}
        self._guard = threading.Lock()
        self._closed = threading.Event()
        self._listener = socket.create_server((host, port), backlog=16)
        self.host: str = host
        self.port: int = self._listener.getsockname()[1]
        self._acceptor = threading.Thread(
            target=self._accept, name=f"scpi-{self.port}", daemon=True
        )
        self._acceptor.start()

    @property
    def resource(self) -> str:
        """The VISA resource name."""
        return f"TCPIP0::{self.host}::{self.port}::SOCKET"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self, patience: float = 5.0) -> None:
        """Stop listening, hang up on everybody, wait for the threads; safe to call twice.

        ``patience``: seconds to wait for a device that is in the middle of something. One that
        waits for the wall clock stops waiting.
        """
        self._closed.set()
        self._lock.wake(patience)
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes accept()
        self._listener.close()
        with self._guard:
            connections = dict(self._connections)
        for connection in connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)  # wakes recv() and send()
        for thread in (self._acceptor, *connections.values()):
            if thread is not threading.current_thread():
                thread.join(patience)

    def wait_closed(self, timeout: float | None = None) -> bool:
        """Sleep until ``close`` is called (or for ``timeout`` seconds); whether it was."""
        return self._closed.wait(timeout)

    # --- threads -----------------------------------------------------------------------------
    def _accept(self) -> None:
        while not self._closed.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                if self._closed.is_set() or self._listener.fileno() < 0:
                    return
                self._closed.wait(0.05)  # out of file handles, perhaps: not for ever, one hopes
                continue
            thread = threading.Thread(
                target=self._serve, args=(connection,), name=f"scpi-{self.port}-client", daemon=True
            )
            with self._guard:
                refused = len(self._connections) >= self._most_connections
                if not refused and not self._closed.is_set():
                    self._connections[connection] = thread
            if refused or self._closed.is_set():
                connection.close()
                continue
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        try:
            # A response goes out when it is ready, not when the kernel has gathered more.
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            self._lock.wait_until(self._closed)
            stream = ScpiStream(self._device)
            while not self._closed.is_set():
                connection.settimeout(None)  # a client may keep quiet for as long as it likes
                data = connection.recv(_CHUNK)
                if not data:
                    return
                connection.settimeout(self._send_timeout)
                self._answer(connection, stream, data)
        except OSError as error:
            _log.debug("%s: connection lost: %s", self.resource, error)
        except Interrupted:
            _log.debug("%s: closed while %s was waiting", self.resource, self._device.model)
        finally:
            connection.close()
            with self._guard:
                self._connections.pop(connection, None)

    def _answer(self, connection: socket.socket, stream: ScpiStream, data: bytes) -> None:
        responses = stream.feed(data)
        while not self._closed.is_set():
            with self._device.turn, self._lock:
                response = next(responses, None)
            if response is None:
                return
            if len(response) == 1:
                connection.sendall(response[0])
            elif response:
                self._send_pieces(connection, response)

    @staticmethod
    def _send_pieces(connection: socket.socket, pieces: list[Any]) -> None:
        """Small pieces together, large ones (blocks) straight from where they lie."""
        gathered = bytearray()
        for piece in pieces:
            if len(piece) > _CHUNK:
                if gathered:
                    connection.sendall(gathered)
                    gathered = bytearray()
                connection.sendall(piece)
            else:
                gathered += piece
        if gathered:
            connection.sendall(gathered)
