"""``run --live``: the bench page beside the terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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

    with bench_page(plan, serial, interrupts.stop, lan=lan, port=port) as page:
        show_address(page.address, page.qr, progress.say, lan=lan)
        yield page


def show_address(
    address: str, qr: tuple[str, ...], say: Callable[[str], None], *, lan: bool
) -> None:
    """Where the page is. It works for whoever has it, so it is for this bench's people only."""
    say(f"bench page: {address}")
    if lan:
        say("Whoever has this address can command the run, and it is not encrypted: for a network")
        say("that you trust.")
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
