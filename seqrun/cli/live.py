"""``run --live``: the bench page beside the terminal; ``live``: records in a browser."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from seqrun.live.access import Door
    from seqrun.live.bench_page import BenchPage
    from seqrun.plan.actions import Plan
    from seqrun.report.run.progress import Progress
    from seqrun.runner.hands import Operator
    from seqrun.runner.signals import Interrupts


@contextmanager
def page_beside(
    plan: Plan,
    serial: str,
    interrupts: Interrupts,
    progress: Progress,
    results: Path,
    *,
    live: bool,
    lan: bool,
    port: int,
) -> Iterator[BenchPage | None]:
    """The page of a run, when it was asked for.

    Raises:
        UsageError: it cannot be served.
    """
    if not live and not lan:
        yield None
        return
    from seqrun.live.bench_page import bench_page

    with bench_page(plan, serial, interrupts.stop, results=results, lan=lan, port=port) as page:
        show_address(page.address, page.qr, progress.say, lan=lan)
        yield page


def live_command(results: Path, *, lan: bool, port: int) -> int:
    """``seqrun live``: until Ctrl-C."""
    from seqrun.errors import UsageError
    from seqrun.live.server import served
    from seqrun.record import Store

    if not results.is_dir():
        raise UsageError(
            "there is no such results folder",
            expected="a folder that runs were recorded in",
            where=str(results),
            hint="'seqrun run' makes one; --results names another",
        )
    Store(results).runs()  # what cannot be read is told here, and not first in a browser

    def make(door: Door) -> Any:
        from seqrun.live.past import Past

        return Past(results).app(door)

    with served(make, lan=lan, port=port) as page:
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: page.serving.end())
        show_address(page.address, page.qr, _line, lan=lan, what="records, read only")
        page.serving.wait()
    return 0


def _line(text: str) -> None:
    print(text, flush=True)


def show_address(
    address: str,
    qr: tuple[str, ...],
    say: Callable[[str], None],
    *,
    lan: bool,
    what: str = "bench page",
) -> None:
    """Where the page is. It works for whoever has it, so it is for this bench's people only."""
    say(f"{what}: {address}")
    if lan:
        say("Whoever has this address is let in, and it is not encrypted: for a network that you")
        say("trust.")
        if qr and sys.stdout.isatty():
            for line in qr:
                say(line)
    else:
        say("On this computer only; --lan serves it to a phone or tablet, too.")


def operator_with_page(page: BenchPage, progress: Progress, interrupts: Interrupts) -> Operator:
    """The operator, who answers at the terminal or at the page: whichever comes first."""
    from seqrun.runner.hands import Operator

    def ask(line: str) -> str:
        with interrupts.prompt(), page.asking(line) as answered:

            def elsewhere() -> str | None:
                interrupts.check()
                return answered()

            return progress.ask(line, interrupts.meanwhile, elsewhere)

    return Operator(ask, saying(progress, page), presses=page.presses)


def saying(progress: Progress, page: BenchPage | None) -> Callable[[str], None]:
    """What tells the operator something: at the terminal, and beside the page's next question."""

    def say(text: str) -> None:
        progress.say(text)
        if page is not None:
            page.answers.said(text)

    return say
