"""A bench's instruments on TCP ports, one each, around one world and one lock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Self

from demo_sim.errors import DemoError
from demo_sim.links.tcp import ScpiTcpServer

if TYPE_CHECKING:
    from demo_sim.bench import Bench


class BenchServer:
    """Listens from construction until ``close``; see ``Bench.serve``."""

    def __init__(self, bench: Bench, host: str, ports: Mapping[str, int] | int | None) -> None:
        self._bench = bench
        wanted = dict(ports) if isinstance(ports, Mapping) else {}
        for key in wanted:
            if key not in bench.devices:
                raise DemoError("no such instrument", found=key, expected=", ".join(bench.devices))
        if isinstance(ports, int):
            wanted = {key: ports + n for n, key in enumerate(bench.devices)}
        self._servers: dict[str, ScpiTcpServer] = {}
        try:
            for key, device in bench.devices.items():
                port = wanted.get(key, 0)
                self._servers[key] = ScpiTcpServer(device, host, port, lock=bench.lock)
        except OSError:
            self.close()
            raise

    @property
    def resources(self) -> dict[str, str]:
        """VISA resource names by instrument key, and ``control``."""
        return {key: server.resource for key, server in self._servers.items()}

    def bench_toml(self) -> str:
        """Text of a bench file with these resources."""
        return self._bench.bench_toml(self.resources)

    def serve_forever(self) -> None:
        """Sleep until ``close`` is called from elsewhere; Ctrl-C closes and comes through."""
        try:
            # Short naps, so that Ctrl-C is noticed on every platform.
            while not any(server.wait_closed(0.5) for server in self._servers.values()):
                pass
        finally:
            self.close()

    def close(self) -> None:
        """Stop all servers; safe to call twice."""
        for server in self._servers.values():
            server.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
