"""The bench's one clock, in seconds since the bench was opened.

A virtual clock moves only when told to; a real-time clock follows the wall, and advancing it means
waiting. Everything else is the same, so the world does not care which it has.
"""

from __future__ import annotations

import time


class Clock:
    """Virtual seconds. ``advance`` is instantaneous."""

    virtual = True

    def __init__(self) -> None:
        self._now = 0.0

    @property
    def now(self) -> float:
        """Seconds since the bench was opened."""
        return self._now

    def advance(self, seconds: float) -> None:
        """Let time pass. Negative or not finite: ValueError."""
        if not 0.0 <= seconds < float("inf"):
            raise ValueError(f"time cannot advance by {seconds} s")
        self._now += seconds


class RealTimeClock(Clock):
    """Seconds of the wall. ``advance`` really waits."""

    virtual = False

    def __init__(self) -> None:
        super().__init__()
        self._start = time.monotonic()

    @property
    def now(self) -> float:
        return time.monotonic() - self._start

    def advance(self, seconds: float) -> None:
        if not 0.0 <= seconds < float("inf"):
            raise ValueError(f"time cannot advance by {seconds} s")
        time.sleep(seconds)
