"""An operator at a pseudo-terminal who answers what is asked, one prompt at a time."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

KEEP = "Enter to keep it, or type it again:"
SHOWS = "? for help:"
DONE = "q to end the run:"
_CODES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal:
    """A run of the command line at a terminal of its own.

    Args:
        answer: gives what to type, by all that was shown since the last answer.
    """

    def __init__(self, folder: Path, answer: Callable[[str], str]) -> None:
        self._folder, self._answer = folder, answer
        self.shown = ""

    def run(self, *arguments: str, at_most_s: float = 90.0) -> int:
        """The exit code, when all is answered."""
        keyboard, screen = pty.openpty()
        process = subprocess.Popen(
            [sys.executable, "-m", "seqrun", *arguments],
            stdin=screen, stdout=screen, stderr=screen, cwd=self._folder,
            env={**os.environ, "TERM": "dumb", "COLUMNS": "200", "NO_COLOR": "1"},
        )  # fmt: skip
        os.close(screen)
        end, asked = time.monotonic() + at_most_s, ""
        try:
            while time.monotonic() < end:
                if not select.select([keyboard], [], [], 0.2)[0]:
                    if process.poll() is not None:
                        break
                    continue
                try:
                    asked += _CODES.sub("", os.read(keyboard, 65536).decode("utf-8", "replace"))
                except OSError:  # the other end is closed: it has ended
                    break
                if asked.rstrip().endswith((KEEP, SHOWS, DONE)):
                    self.shown += asked
                    os.write(keyboard, (self._answer(asked) + "\n").encode())
                    asked = ""
            self.shown += asked
            return process.wait(timeout=10.0)
        finally:
            process.kill()
            process.wait()
            os.close(keyboard)
