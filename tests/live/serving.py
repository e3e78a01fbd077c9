"""A page that is served on loopback, without a run."""

from __future__ import annotations

import http.client
import json
import time
from typing import Any

from seqrun.live.access import GONE_S, Commander, Door
from seqrun.live.app import LivePage
from seqrun.live.asking import Answers
from seqrun.live.board import Board
from seqrun.live.network import LOOPBACK, listening
from seqrun.live.photographing import Photograph
from seqrun.live.server import Serving

PAGE, OTHER = "a" * 24, "b" * 24


class Served:
    """A page on loopback, with what a run would do with it."""

    def __init__(self, photograph: Photograph | None = None) -> None:
        sockets = listening([LOOPBACK], 0)
        self.port = int(sockets[0].getsockname()[1])
        self.door = Door([LOOPBACK, "localhost"], self.port)
        self.board = Board(title="A look", serial="S-1", model="Practice", cautions=("Hot metal.",))
        self.goes_by = False  # no page is gone as long as time stands, however busy the machine
        self.command = Commander(lambda: GONE_S + time.monotonic() if self.goes_by else 0.0)
        self.answers = Answers(self.board, self.command.held)
        self.stopped: list[bool] = []
        self.live = LivePage(
            self.board,
            self.answers,
            self.command,
            lambda: self.stopped.append(True),
            None,
            photograph,
        )
        self.serving = Serving(self.live.app(self.door), sockets)
        self.serving.start()

    @property
    def host(self) -> str:
        return f"{LOOPBACK}:{self.port}"

    def ask(self, method: str, path: str, body: object = None, **heads: str) -> tuple[int, str]:
        """One exchange; status and body."""
        status, _, text = self.whole(method, path, body, **heads)
        return status, text

    def whole(
        self, method: str, path: str, body: object = None, **heads: str
    ) -> tuple[int, Any, str]:
        """One exchange; status, heads and body."""
        line = http.client.HTTPConnection(LOOPBACK, self.port, timeout=60.0)
        try:
            text = body if isinstance(body, str | bytes | None) else json.dumps(body)
            line.request(method, path, text, {k.replace("_", "-"): v for k, v in heads.items()})
            answer = line.getresponse()
            return answer.status, answer.headers, answer.read().decode("utf-8")
        finally:
            line.close()

    def say(self, what: str, page: str = PAGE, **fields: str) -> tuple[int, str]:
        """A POST as the page sends it."""
        heads = {"Cookie": f"{self.door.cookie}={self.door.worth}", "Origin": f"http://{self.host}"}
        return self.ask("POST", f"/{what}", {"page": page, **fields}, **heads)

    def get(self, path: str) -> tuple[int, str]:
        """A page for somebody who was let in."""
        return self.ask("GET", path, Cookie=f"{self.door.cookie}={self.door.worth}")
