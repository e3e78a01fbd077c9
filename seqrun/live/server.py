"""The page's own server, in a thread of its own: when it ends, the run does not notice."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from seqrun.errors import UsageError
from seqrun.live.access import Door
from seqrun.live.network import LOOPBACK, lan_address, listening, qr_lines

START_S, END_S = 15.0, 3.0  # how long its start and its end may take
CONNECTIONS = 100  # at once, of all pages together


def missing(error: ImportError) -> UsageError:
    """The refusal where the extra is not installed."""
    return UsageError(
        f"the page needs a library that is not installed: {error.name}",
        expected="the extra [live]",
        where="--live",
        hint="pip install 'seqrun[live]', or leave --live out",
    )


class Serving:
    """A server of an ASGI application on sockets that listen already."""

    def __init__(self, app: Any, sockets: Sequence[socket.socket]) -> None:
        import uvicorn

        config = uvicorn.Config(
            app,
            http="h11",
            ws="none",
            lifespan="off",
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            timeout_keep_alive=20,
            timeout_graceful_shutdown=1,
            limit_concurrency=CONNECTIONS,
        )
        self._sockets = list(sockets)
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, name="bench page", daemon=True)
        self.lost = ""

    def _serve(self) -> None:
        try:
            self._server.run(sockets=self._sockets)
        except BaseException as error:  # it ends here, whatever it was
            self.lost = f"{type(error).__name__}: {error}"

    def start(self) -> None:
        """Serve from now on.

        Raises:
            UsageError: it does not come up.
        """
        self._thread.start()
        until = time.monotonic() + START_S
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > until:
                raise UsageError(f"the page does not come up: {self.lost or 'no answer'}")
            self._thread.join(0.01)

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def end(self) -> None:
        """Serve no more, from now or a moment later; a signal's handler may call it."""
        self._server.should_exit = True

    def stop(self) -> None:
        """Serve no more; waits a moment for what is under way."""
        self.end()
        self._thread.join(END_S)
        for one in self._sockets:
            one.close()

    def wait(self) -> None:
        """Serve until the server is told to stop."""
        while self._thread.is_alive():
            self._thread.join(0.5)


@dataclass(frozen=True)
class Served:
    """What is being served. ``qr``: its address as lines of a terminal, with a LAN only."""

    address: str
    qr: tuple[str, ...]
    serving: Serving


@contextmanager
def served(make: Callable[[Door], Any], *, lan: bool = False, port: int = 0) -> Iterator[Served]:
    """Serve an application as long as it lasts, on loopback or on the LAN as well.

    Args:
        make: the application, for those whom a door lets in.
        port: 0 takes a free one.

    Raises:
        UsageError: the extra is not installed, the port is taken, or there is no LAN.
    """
    hosts = [LOOPBACK, *([lan_address()] if lan else [])]
    sockets = listening(hosts, port)
    number = int(sockets[0].getsockname()[1])
    door = Door([*hosts, "localhost"], number)
    address = f"http://{hosts[-1]}:{number}/?token={door.token}"
    try:
        qr = tuple(qr_lines(address)) if lan else ()
        serving = Serving(make(door), sockets)
    except ImportError as error:
        for one in sockets:
            one.close()
        raise missing(error) from None
    try:
        serving.start()
        yield Served(address, qr, serving)
    finally:
        serving.stop()
