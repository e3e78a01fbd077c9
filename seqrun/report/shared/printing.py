"""Printing that nobody waits for: a thread of its own hands the output to whoever reads it.

A terminal that was stopped, a connection that froze and a pipe that is full make their writer
wait for as long as they like. Whoever looks after a powered unit cannot; a thread can.
"""

from __future__ import annotations

import contextlib
import select
import threading
from collections import deque
from io import RawIOBase

#: bytes kept for a reader that takes none; a whole acceptance prints a tenth of it
KEPT = 1 << 18
#: seconds in which a reader takes nothing before it is given up, once the power is off
STALLED_S = 5.0
#: the words for a pipe whose reader is gone
UNREAD = "nobody reads the output any more"
#: bytes given at once, so that a slow reader is seen to take something
_PIECE = 1024


class Printer:
    """Prints in order what it is handed, and never keeps the one who hands it waiting.

    Beyond :data:`KEPT` bytes the oldest are dropped, and their reader is told so.

    Args:
        raw: where to; without a buffer, whose lock would be held while the reader takes nothing.
    """

    def __init__(self, raw: RawIOBase) -> None:
        self._raw = raw
        self._waiting: deque[bytes] = deque()
        self._size = 0  # bytes that wait
        self._dropped = 0  # lines
        self._taken = 0  # pieces, ever
        self._busy = self._over = False
        self._error: OSError | ValueError | None = None
        self._change = threading.Condition()
        threading.Thread(target=self._print, name="printing", daemon=True).start()

    def put(self, data: bytes) -> None:
        """Print it when its turn comes; after :meth:`finish` never.

        Raises:
            OSError, ValueError: nothing can be printed any more.
        """
        with self._change:
            self._check()
            if self._over:
                return
            self._waiting.append(data)
            self._size += len(data)
            while self._size > KEPT:
                old = self._waiting.popleft()
                self._size -= len(old)
                self._dropped += old.count(b"\n")
            self._change.notify_all()

    def shown(self, within_s: float) -> bool:
        """Whether its reader has taken all of it, after at most so many seconds.

        Raises:
            OSError, ValueError: nothing can be printed any more.
        """
        with self._change:
            self._change.wait_for(lambda: self._idle or self._error is not None, within_s)
            self._check()
            return self._idle

    def finish(self, stalled_s: float = STALLED_S) -> bool:
        """Wait for as long as the reader takes something, then print nothing more; whether the
        thread is at rest. Ctrl-C ends the waiting."""
        with self._change:
            with contextlib.suppress(KeyboardInterrupt):
                while not self._idle and self._error is None:
                    before = self._taken
                    self._change.wait(stalled_s)
                    if self._taken == before:
                        break
            self._over = True
            self._waiting.clear()
            self._change.notify_all()
            return not self._busy

    def _check(self) -> None:
        if self._error is not None:
            raise self._error

    @property
    def _idle(self) -> bool:
        return not self._waiting and not self._busy

    def _print(self) -> None:
        while (data := self._next()) is not None:
            try:
                self._give(data)
            except (OSError, ValueError) as error:
                if isinstance(error, BrokenPipeError):
                    error = BrokenPipeError(UNREAD)
                with self._change:
                    self._error, self._busy = error, False
                    self._waiting.clear()
                    self._change.notify_all()
                return

    def _next(self) -> bytes | None:
        """What comes next, waited for; None when all is over."""
        with self._change:
            self._busy = False
            self._change.notify_all()
            self._change.wait_for(lambda: self._waiting or self._over)
            if not self._waiting:
                return None
            data = self._waiting.popleft()
            self._size -= len(data)
            if self._dropped:
                data = f"\n({self._dropped} lines found no reader)\n".encode() + data
                self._dropped = 0
            self._busy = True
            return data

    def _give(self, data: bytes) -> None:
        while data:
            count = self._raw.write(data[:_PIECE])
            if count is None:  # it does not wait by itself
                select.select([], [self._raw], [])
                continue
            data = data[count:]
            with self._change:
                self._taken += 1
                self._change.notify_all()
