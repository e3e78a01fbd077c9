"""The simulated bench with its instruments opened by their drivers, and small real sockets."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from typing import Any

import pytest
import pyvisa
from dialect_bench import Opener

import demo_sim
from seqrun.files.bench.load import bench_from_text
from seqrun.files.bench.parts import InstrumentEntry as BenchInstrument
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.opening import open_instrument


@dataclass
class OpenedBench:
    """The demo bench, its instruments, and what was said on every link."""

    demo: demo_sim.Bench
    manager: pyvisa.ResourceManager
    log: list[tuple[str, str, str]] = field(default_factory=list)
    instruments: dict[str, Any] = field(default_factory=dict)

    def __getattr__(self, key: str) -> Any:
        """An instrument, opened when it is first asked for."""
        if key not in self.instruments:
            file = bench_from_text(self.demo.bench_toml())
            entry = file.instrument.get(key) or BenchInstrument(
                resource=self.demo.resources[key], driver=f"generic-{key}"
            )
            self.instruments[key] = open_instrument(
                key, entry, load_driver(find("driver", entry.driver)), self.manager, self.note
            )
        return self.instruments[key]

    def note(self, *message: str) -> None:
        self.log.append(message)  # type: ignore[arg-type]

    def sent(self, key: str) -> list[str]:
        return [text for who, way, text in self.log if who == key and way == ">"]


@pytest.fixture
def bench() -> Iterator[OpenedBench]:
    demo = demo_sim.open_bench(seed=3)
    manager = pyvisa.ResourceManager(demo.visa_library)
    with closing(manager):
        yield OpenedBench(demo, manager)


@pytest.fixture
def other_bench() -> Iterator[OpenedBench]:
    """A second one, in another world."""
    demo = demo_sim.open_bench(seed=4)
    manager = pyvisa.ResourceManager(demo.visa_library)
    with closing(manager):
        yield OpenedBench(demo, manager)


Answers = Callable[[bytes], bytes | None]


class ScriptedServer:
    """A TCP server of one connection: each line that comes in is answered by ``answers``.

    ``None`` hangs up.
    """

    def __init__(self, answers: Answers) -> None:
        self._answers = answers
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.received: list[bytes] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"

    def _serve(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        with connection:
            rest = b""
            while chunk := self._received(connection):
                rest += chunk
                while b"\n" in rest:
                    line, rest = rest.split(b"\n", 1)
                    self.received.append(line)
                    answer = self._answers(line)
                    if answer is None:
                        return
                    connection.sendall(answer)

    @staticmethod
    def _received(connection: socket.socket) -> bytes:
        try:
            return connection.recv(65536)
        except ConnectionResetError:  # the other end hung up with something unread
            return b""

    def close(self) -> None:
        self._listener.close()


@pytest.fixture
def serve() -> Iterator[Callable[[Answers], ScriptedServer]]:
    servers: list[ScriptedServer] = []

    def start(answers: Answers) -> ScriptedServer:
        servers.append(ScriptedServer(answers))
        return servers[-1]

    yield start
    for server in servers:
        server.close()


@pytest.fixture
def sockets() -> Iterator[pyvisa.ResourceManager]:
    """The library that real instruments are opened with."""
    with closing(pyvisa.ResourceManager("@py")) as manager:
        yield manager


@pytest.fixture
def nothing_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """What has not come by now will not come: a link waits less long for late answers."""
    monkeypatch.setattr("seqrun.instruments.talk.DRAIN_TIME_OUT_S", 0.1)


@pytest.fixture
def opener(sockets: pyvisa.ResourceManager) -> Iterator[Opener]:
    """Opens shipped drivers of real families on servers that speak their dialects."""
    with ExitStack() as stack:
        yield Opener(sockets, stack)
