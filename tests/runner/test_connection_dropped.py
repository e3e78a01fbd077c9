"""The supply's connection is closed in the middle of a run: aborted, and off all the same."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
import pyvisa
from short_runs import run

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.link import Link
from seqrun.values import Disposition


class Between:
    """A TCP connection to another, closed once when ``word`` has passed ``count`` times."""

    def __init__(self, host: str, port: int, word: bytes, count: int) -> None:
        self._to, self._word, self._left = (host, port), word, count
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.connections = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                self.connections += 1
                far = socket.create_connection(self._to)
                for end in (near, far):
                    end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                for ends in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=ends, daemon=True).start()

    def _carry(self, source: socket.socket, to: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                self._left -= data.count(self._word)
                if self._left == 0 and self._word in data:
                    break
                to.sendall(data)
        for end in (source, to):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._listener.close()


@pytest.fixture
def dropped(tmp_path: Path) -> Iterator[tuple[Path, Between, Callable[[str], str]]]:
    """A bench file whose supply hangs up in the middle, and a way to ask the supply itself."""
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    with bench.serve() as server:
        resource = server.resources["supply"]
        _, host, port, _ = resource.split("::")
        with closing(Between(host, int(port), b"MEAS:CURR", 10)) as between:
            path = tmp_path / "bench.toml"
            through = f"TCPIP0::127.0.0.1::{between.port}::SOCKET"
            path.write_text(server.bench_toml().replace(resource, through), encoding="utf-8")

            def ask(question: str) -> str:
                with closing(pyvisa.ResourceManager("@py")) as manager:
                    link = Link.open("supply", resource, manager, lambda *_: None)
                    return link.query(question)

            yield path, between, ask


def test_it_is_aborted_and_switched_off_over_a_new_connection(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    dropped: tuple[Path, Between, Callable[[str], str]],
) -> None:
    path, between, ask = dropped
    outcome = run(tmp_path / "r", short_sequence(), bench=str(path))
    assert outcome.disposition is Disposition.ABORTED
    assert "the link" in outcome.reason
    assert between.connections == 2
    assert outcome.safe.complete, outcome.safe.unconfirmed
    assert ask("OUTP?") == "0"
