"""The bench page of one run: from its plan to a page that is served, and to its end."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.live.access import Commander, Door
from seqrun.live.asking import Answers
from seqrun.live.board import Board
from seqrun.live.network import LOOPBACK, lan_address, listening, qr_lines
from seqrun.live.server import Serving, missing
from seqrun.live.watching import Both
from seqrun.runner.events import Watcher
from seqrun.runner.presses import Presses

if TYPE_CHECKING:
    from seqrun.plan.actions import Plan

BY = "the bench page"
TOLD_S = 1.5  # how long the end of a run waits for the pages to show it


@dataclass(frozen=True)
class BenchPage:
    """A page that is being served. ``qr``: its address as lines of a terminal, with a LAN only."""

    address: str
    qr: tuple[str, ...]
    answers: Answers
    board: Board
    serving: Serving
    _plan: Plan

    def watching(self, first: Watcher) -> Both:
        """A watcher that tells ``first`` and the page."""
        return Both(first, self.board, lambda index: self._plan.seconds(index + 1))

    def asking(self, line: str) -> AbstractContextManager[Callable[[], str | None]]:
        """See :meth:`seqrun.live.asking.Answers.asking`."""
        return self.answers.asking(line)

    def presses(self) -> AbstractContextManager[Presses]:
        """See :meth:`seqrun.live.asking.Answers.presses`."""
        return self.answers.presses()


@contextmanager
def bench_page(
    plan: Plan, serial: str, stop: Callable[[str], None], *, lan: bool = False, port: int = 0
) -> Iterator[BenchPage]:
    """Serve the page of a run as long as it lasts.

    Args:
        stop: ends the run as Ctrl-C does; takes who asked for it.
        lan: on this computer's address on the LAN as well as on loopback.
        port: 0 takes a free one.

    Raises:
        UsageError: the extra is not installed, the port is taken, or there is no LAN.
    """
    try:
        from seqrun.live.app import LivePage

        hosts = [LOOPBACK, *([lan_address()] if lan else [])]
        sockets = listening(hosts, port)
    except ImportError as error:
        raise missing(error) from None
    number = int(sockets[0].getsockname()[1])
    door = Door([*hosts, "localhost"], number)
    board = Board(
        title=plan.sequence.title,
        serial=serial,
        model=plan.view.unit.model,
        cautions=(*plan.sequence.cautions, *plan.view.unit.cautions),
    )
    command = Commander()
    answers = Answers(board, command.held)
    live = LivePage(board, answers, command, lambda: stop(BY), plan.view)
    address = f"http://{hosts[-1]}:{number}/?token={door.token}"
    try:
        serving = Serving(live.app(door), sockets)
        qr = tuple(qr_lines(address)) if lan else ()
        serving.start()
    except ImportError as error:
        raise missing(error) from None
    try:
        yield BenchPage(address, qr, answers, board, serving, plan)
    finally:
        live.close()
        until = time.monotonic() + TOLD_S
        while live.fed and serving.alive and time.monotonic() < until:
            time.sleep(0.02)
        serving.stop()
