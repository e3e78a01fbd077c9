"""Whether the program itself was there all the time: a computer that slept, or a process that was
stopped, watches no trips, and nothing else tells of it afterwards."""

from __future__ import annotations

import threading
import time

BEAT_S = 0.25
#: a pause this long is told; a busy machine is late by less
GAP_S = 5.0


def _clock() -> float:
    """Seconds, those of sleep included."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)  # where the system has it
    return time.time() if boot is None else time.clock_gettime(boot)


class Pulse:
    """A thread that beats; where the beats are far apart, nobody was there.

    A long exchange with an instrument does not stop it, so it needs no allowance for those.
    """

    def __init__(self) -> None:
        self._over = threading.Event()
        self._guard = threading.Lock()
        self._last = _clock()
        self._gap_s = 0.0
        self._thread = threading.Thread(target=self._beat, daemon=True)

    def start(self) -> None:
        self._last = _clock()
        self._thread.start()

    def stop(self) -> None:
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()

    def gap(self) -> float:
        """The longest pause since it was last asked, s; 0 when there was none worth telling."""
        if not self._thread.is_alive():
            return 0.0
        with self._guard:
            self._note(_clock())
            found, self._gap_s = self._gap_s, 0.0
        return found

    def _beat(self) -> None:
        while not self._over.wait(BEAT_S):
            with self._guard:
                self._note(_clock())

    def _note(self, now: float) -> None:
        pause = now - self._last
        self._last = now
        if pause >= GAP_S:
            self._gap_s = max(self._gap_s, pause)
