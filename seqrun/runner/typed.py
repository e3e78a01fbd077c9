"""Keys typed before a question is shown do not answer it."""

from __future__ import annotations

import sys
from contextlib import suppress


def discard_typed() -> None:
    """Throw away what was typed at the terminal and not read yet; nothing without a terminal."""
    with suppress(OSError, ValueError):  # a terminal that is gone shows when it is asked
        if sys.stdin.isatty():
            _discard(sys.stdin.fileno())


if sys.platform == "win32":

    def _discard(_number: int) -> None:
        import msvcrt

        while msvcrt.kbhit():
            msvcrt.getwch()

else:

    def _discard(number: int) -> None:
        import termios

        with suppress(termios.error):
            termios.tcflush(number, termios.TCIFLUSH)
