"""The one lock around a world, and how to wait for the wall clock without keeping it.

Everything that touches a world holds its lock. In real time an instrument that integrates, or a
clock that is told to wait, gives it up meanwhile, so that the others answer as they would on a
bench. A link therefore takes a device's ``turn`` first and this lock second: the turn it keeps
until the message is done, so that a device is never in the middle of two.
"""

from __future__ import annotations

import threading


class Interrupted(BaseException):
    """A wait that nobody wants any more: the link it was for has been closed.

    Not an ``Exception``, so that no instrument takes it for a mistake of its own.
    """


class WorldLock:
    """Re-entrant; a context manager.

    Attributes:
        mutex: the lock itself, for callers that count microseconds.
    """

    def __init__(self) -> None:
        self.mutex = threading.RLock()
        self._woken = threading.Condition(self.mutex)
        self._thread = threading.local()

    def __enter__(self) -> None:
        self.mutex.acquire()

    def __exit__(self, *_: object) -> None:
        self.mutex.release()

    def wait_until(self, closed: threading.Event) -> None:
        """Waits of the calling thread end when ``closed`` is set; see ``wake``."""
        self._thread.closed = closed

    def sleep(self, seconds: float) -> None:
        """Wait without holding the lock, however often the calling thread has taken it.

        Raises:
            Interrupted: the thread's link was closed.
        """
        closed: threading.Event | None = getattr(self._thread, "closed", None)
        with self._woken:
            if self._woken.wait_for(lambda: closed is not None and closed.is_set(), seconds):
                raise Interrupted

    def wake(self, at_most_s: float) -> None:
        """Let everybody who waits look whether the link is closed.

        ``at_most_s``: how long to try while somebody works and does not wait.
        """
        if self.mutex.acquire(timeout=at_most_s):
            try:
                self._woken.notify_all()
            finally:
                self.mutex.release()
