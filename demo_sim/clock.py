"""The bench's one clock, in seconds since the bench was opened.

A virtual clock moves only when told to; a real-time clock follows the wall, and advancing it means
waiting. Everything else is the same, so the world does not care which it has.
"""

from __future__ import annotations

import time
from collections.abc import Callable


class Clock:
    """Virtual seconds. ``advance`` is instantaneous."""

    virtual = True

    def __init__(self) -> None:
        self.elapsed = 0.0  # virtual seconds; at rest where the wall is followed

    @property
    def now(self) -> float:
        """Seconds since the bench was opened."""
        return self.elapsed

    def advance(self, seconds: float) -> None:
        """Let time pass. Negative or not finite: ValueError."""
        if not 0.0 <= seconds < float("inf"):
            raise ValueError(f"time cannot advance by {seconds} s")
        self.elapsed += seconds


class RealTimeClock(Clock):
    """Seconds of the wall. ``advance`` really waits, by ``sleep``."""

    virtual = False

    def __init__(self, sleep: Callable[[float], None] = time.sleep) -> None:
        super().__init__()
        self._sleep = sleep
        self._start = time.monotonic()

    @property
    def now(self) -> float:
        return time.monotonic() - self._start

    def advance(self, seconds: float) -> None:
        if not 0.0 <= seconds < float("inf"):
            raise ValueError(f"time cannot advance by {seconds} s")
        self._sleep(seconds)
