"""The bench page of one run: from its plan to a page that is served, and to its end."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seqrun.live.access import Commander, Door
from seqrun.live.asking import Answers
from seqrun.live.board import Board
from seqrun.live.server import Serving, served
from seqrun.live.watching import Both
from seqrun.runner.events import Watcher
from seqrun.runner.presses import Presses

if TYPE_CHECKING:
    from seqrun.live.app import LivePage
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
    plan: Plan,
    serial: str,
    stop: Callable[[str], None],
    *,
    results: Path | None = None,
    lan: bool = False,
    port: int = 0,
) -> Iterator[BenchPage]:
    """Serve the page of a run as long as it lasts.

    Args:
        stop: ends the run as Ctrl-C does; takes who asked for it.
        results: folder that photographs of the unit are kept in; None: none are taken.
        lan: on this computer's address on the LAN as well as on loopback.
        port: 0 takes a free one.

    Raises:
        UsageError: the extra is not installed, the port is taken, or there is no LAN.
    """
    board = Board(
        title=plan.sequence.title,
        serial=serial,
        model=plan.view.unit.model,
        cautions=(*plan.sequence.cautions, *plan.view.unit.cautions),
    )
    commander = Commander()
    answers = Answers(board, commander.held)
    made: list[LivePage] = []

    def make(door: Door) -> Any:
        from seqrun.live.app import LivePage
        from seqrun.live.photographing import photograph_of

        keep = photograph_of(results, serial, BY) if results is not None else None
        made.append(LivePage(board, answers, commander, lambda: stop(BY), plan.view, keep))
        return made[0].app(door)

    with served(make, lan=lan, port=port) as page:
        try:
            yield BenchPage(page.address, page.qr, answers, board, page.serving, plan)
        finally:
            with suppress(Exception):  # the run is over and judged: a page takes nothing from it
                _let_go(made[0], page.serving)


def _let_go(live: LivePage, serving: Serving) -> None:
    """Let each page have the end of the run, those that take it at once."""
    live.close()
    until = time.monotonic() + TOLD_S
    while live.fed and serving.alive and time.monotonic() < until:
        time.sleep(0.02)
