"""Keys that the operator presses while something is watched: read without Enter, timed at once."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

from seqrun.errors import NotMeasured
from seqrun.plan.context import Press
from seqrun.runner.typed import console_of

LOOK_S = 0.05  # how long the reader sleeps on an idle terminal before it sees that it is over

Presses = Callable[[], list[Press]]


@contextmanager
def no_presses() -> Iterator[Presses]:
    """For whoever has no keyboard.

    Raises:
        NotMeasured: always.
    """
    raise _nobody()
    yield list  # makes it a generator


def _nobody() -> NotMeasured:
    return NotMeasured(
        "nobody is at a terminal to press keys", expected="an operator at the terminal"
    )


@contextmanager
def terminal_presses() -> Iterator[Presses]:
    """While this lasts, what is typed at the terminal arrives key by key, unechoed.

    Yields what is to be called for the keys pressed since the last call. Ctrl-C still interrupts.

    Raises:
        NotMeasured: there is no terminal.
    """
    try:
        import termios
        import tty
    except ImportError:  # Windows: its console gives key by key as it is
        console = console_of()
        if console is None:
            raise _nobody() from None
        reader = _KeyListener(partial(_from_console, console))
        try:
            reader.start()
            yield reader.taken
        finally:
            reader.stop()
        return
    try:
        number = sys.stdin.fileno()
        before = termios.tcgetattr(number)
    except (OSError, ValueError, termios.error):
        raise _nobody() from None
    reader = _KeyListener(partial(_from_terminal, number))
    try:
        # At once: to wait until all is shown is to wait for a screen that may be stuck
        tty.setcbreak(number, termios.TCSANOW)
        termios.tcflush(number, termios.TCIFLUSH)
        reader.start()
        yield reader.taken
    finally:
        reader.stop()
        termios.tcsetattr(number, termios.TCSANOW, before)


class _KeyListener:
    """A thread that notes each key and when it was pressed.

    Args:
        look: the keys of at most :data:`LOOK_S` of waiting; None when there will be no more.
    """

    def __init__(self, look: Callable[[], str | None]) -> None:
        self._look = look
        self._noted: list[tuple[str, float]] = []
        self._guard = threading.Lock()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()

    def taken(self) -> list[Press]:
        """The keys since the last call, oldest first."""
        with self._guard:
            noted, self._noted = self._noted, []
        now = time.monotonic()
        return [Press(key, now - pressed) for key, pressed in noted]

    def _read(self) -> None:
        while not self._over.is_set():
            typed = self._look()
            if typed is None:
                return
            with self._guard:
                moment = time.monotonic()
                self._noted += [(key, moment) for key in typed]


def _from_terminal(number: int) -> str | None:
    import os
    import select

    ready, _, _ = select.select([number], [], [], LOOK_S)
    if not ready:
        return ""
    typed = os.read(number, 64)
    return typed.decode("utf-8", "ignore") if typed else None


def _from_console(console: Any) -> str:
    """Keys of Windows' console. Arrows and the like come as two, and mean nothing here; Ctrl-C
    comes as a key and is made what it is elsewhere."""
    found = ""
    while console.kbhit():
        key = str(console.getwch())
        if key in ("\x00", "\xe0"):
            console.getwch()
        elif key == "\x03":
            signal.raise_signal(signal.SIGINT)
        else:
            found += key
    if not found:
        time.sleep(LOOK_S)  # between two looks at an idle keyboard; nothing wakes us there
    return found
