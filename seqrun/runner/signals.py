"""Ctrl-C, SIGTERM, a lost terminal and whatever else would end the program: noted at once, acted
on between two messages.

The handler only takes note, so that no exchange with an instrument is torn in half and the safe
state finds every link in step. A wait or a prompt is cut short.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from seqrun.errors import Interrupted

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
#: these end a program that has no use for them: Ctrl-\\, a mains monitor, limits of the system,
#: timers of whatever started it
_OTHERS = (
    "SIGQUIT", "SIGPWR", "SIGXCPU", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGVTALRM", "SIGPROF",
    "SIGIO", "SIGSTKFLT",
)  # fmt: skip


class Interrupts:
    """What arrived, if anything."""

    def __init__(self) -> None:
        self.arrived = ""
        self.prompting = False
        self.closing = False
        self.wake: Callable[[], None] = lambda: None
        self.watch: Callable[[], None] = lambda: None  # the trips, once they are armed

    def check(self) -> None:
        """Raise when a signal has arrived.

        Raises:
            Interrupted: names the signal.
        """
        if self.arrived and not self.closing:
            raise Interrupted(self.reason)

    def stop(self, by: str) -> None:
        """End the run as Ctrl-C does, from any thread; ``by`` names who, for the record."""
        if not self.closing:
            self.arrived = self.arrived or by
            self.wake()

    @property
    def reason(self) -> str:
        """What arrived, in words."""
        return f"the run was interrupted by {self.arrived}"

    @contextmanager
    def prompt(self) -> Iterator[None]:
        """While the operator is being asked, a signal raises at once."""
        self.prompting = True
        try:
            self.check()
            yield
        finally:
            self.prompting = False

    def meanwhile(self) -> None:
        """Look at the trips while the operator thinks. A signal that comes just then waits, so
        that no exchange with an instrument is torn in half.

        Raises:
            Tripped: a protective threshold was passed.
            Interrupted: a signal has arrived.
        """
        self.prompting = False
        self.watch()
        self.prompting = True
        self.check()

    @contextmanager
    def installed(self) -> Iterator[None]:
        """Handlers in place; the former ones are put back at the end. What ``nohup`` has ignored
        stays so, and a signal that somebody else uses is left to him.

        Signals can only be handled in the main thread; elsewhere nothing is installed.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        former = {}
        for name in (*_NAMES, *_OTHERS):
            number = getattr(signal, name, None)
            if number is None:
                continue
            used = signal.getsignal(number)
            kept = name == "SIGHUP" and used is signal.SIG_IGN
            if not kept and (name in _NAMES or used is signal.SIG_DFL):
                former[number] = signal.signal(number, self._handle)
        try:
            yield
        finally:
            for number, handler in former.items():
                signal.signal(number, handler)

    def _handle(self, number: int, _frame: FrameType | None) -> None:
        self.arrived = "Ctrl-C" if number == signal.SIGINT else signal.Signals(number).name
        if self.closing:
            return  # the unit is being made safe already; nothing is to disturb that
        self.wake()
        if self.prompting:
            self.prompting = False
            raise Interrupted(self.reason)
