"""The keyboard at a prompt, on POSIX terminals and on Windows' console alike.

Nothing here needs a module that one of them lacks: each is asked for where it is used.
"""

from __future__ import annotations

import sys
import time
from contextlib import suppress
from importlib import import_module
from typing import Any

_LOOK_S = 0.05  # between two looks at a console, which wakes nobody


def console_of() -> Any:
    """Windows' console module, when there is one and a person sits at it; else None."""
    try:
        console = import_module("msvcrt")
        return console if sys.stdin.isatty() else None
    except (ImportError, OSError, ValueError):
        return None


def discard_typed() -> None:
    """Throw away what was typed at the terminal and not read yet; nothing without a terminal."""
    with suppress(OSError, ValueError):  # a terminal that is gone shows when it is asked
        if sys.stdin.isatty():
            _discard(sys.stdin.fileno())


def _discard(number: int) -> None:
    try:
        import termios
    except ImportError:
        console = console_of()
        while console is not None and console.kbhit():
            console.getwch()
        return
    with suppress(termios.error):
        termios.tcflush(number, termios.TCIFLUSH)


def waits(within_s: float) -> bool:
    """Whether an answer waits to be read, after at most so many seconds.

    Of a POSIX terminal or a pipe that is a whole line; of Windows' console the first key of it:
    until then whoever asks can look after other things.
    """
    import select

    try:
        return bool(select.select([sys.stdin], [], [], within_s)[0])
    except (OSError, ValueError):  # Windows asks sockets only
        console = console_of()
    if console is None:
        return True  # the reading itself has to wait
    until = time.monotonic() + within_s
    while not console.kbhit():
        if time.monotonic() >= until:
            return False
        time.sleep(_LOOK_S)
    return True
