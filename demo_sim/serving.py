"""A bench's instruments on TCP ports, one each, around one world and one lock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Self

from demo_sim.errors import DemoError
from demo_sim.links.tcp import ScpiTcpServer
from demo_sim.lock import WorldLock
from demo_sim.scpi import ScpiDevice


class BenchServer:
    """Listens from construction until ``close``; see ``Bench.serve``.

    ``toml`` writes the bench file for given resources.
    """

    def __init__(
        self,
        devices: Mapping[str, ScpiDevice],
        lock: WorldLock,
        toml: Callable[[Mapping[str, str]], str],
        host: str,
        ports: Mapping[str, int] | int | None,
    ) -> None:
        self._toml = toml
        wanted = dict(ports) if isinstance(ports, Mapping) else {}
        for key in wanted:
            if key not in devices:
                raise DemoError("no such instrument", found=key, expected=", ".join(devices))
        if isinstance(ports, int):
            wanted = {key: ports + n for n, key in enumerate(devices)}
        self._servers: dict[str, ScpiTcpServer] = {}
        try:
            for key, device in devices.items():
                port = wanted.get(key, 0)
                self._servers[key] = ScpiTcpServer(device, host, port, lock=lock)
        except OSError:
            self.close()
            raise

    @property
    def resources(self) -> dict[str, str]:
        """VISA resource names by instrument key, and ``control``."""
        return {key: server.resource for key, server in self._servers.items()}

    def bench_toml(self) -> str:
        """Text of a bench file with these resources."""
        return self._toml(self.resources)

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
