"""The log of every message to and from the instruments, as text lines."""

from __future__ import annotations

import hashlib
import threading
import time
from pathlib import Path

from seqrun.record.errors import from_os
from seqrun.record.traces import open_text

BATCH = 64  # lines that are handed on together


class MessageFile:
    """Writes the log, buffered: thousands of lines in a run, and a run may not wait for the disk.

    A disk that fills must not come between the sequencer and an instrument that has to be made
    safe, so writing never raises: what went wrong is kept in :attr:`failure` and comes to light at
    the next reading, or at the end of the run.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.failure: OSError | None = None
        self._guard = threading.Lock()
        self._start = time.perf_counter()
        try:
            self._file = open_text(path)
        except OSError as error:
            raise from_os(error, path, "opening the message log") from error
        self._write = self._file.write
        self._hash = hashlib.sha256()
        self._lines: list[str] = []  # not handed on yet

    def __call__(self, instrument: str, direction: str, text: str) -> None:
        """One message. Wall time since the log began, s; instrument; ``>`` sent or ``<`` received.

        Line breaks within a message are shown as they are written in Python, so that a message is
        one line.
        """
        if not text.isprintable():
            text = text.encode("unicode_escape", "backslashreplace").decode("ascii")
        self.line(f"{time.perf_counter() - self._start:11.4f} {instrument} {direction} {text}")

    def line(self, text: str) -> None:
        """One line as it is."""
        with self._guard:
            self._lines.append(text)
            if len(self._lines) >= BATCH or self._file.closed:
                self._hand_on()

    def _hand_on(self) -> None:
        """What has come together goes to the file; in the guard."""
        lines, self._lines = self._lines, []
        if self.failure is not None or not lines:
            return
        try:
            lines.append("")
            text = "\n".join(lines)
            self._write(text)
            self._hash.update(text.encode())
        except (OSError, ValueError) as error:  # ValueError: written to after it was closed
            self.failure = error if isinstance(error, OSError) else OSError(str(error))

    @property
    def digest(self) -> str:
        """SHA-256 of all that was written."""
        with self._guard:
            self._hand_on()
        return self._hash.hexdigest()

    def flush(self) -> None:
        """Hand the lines to the system; never raises."""
        try:
            with self._guard:
                self._hand_on()
                if not self._file.closed:
                    self._file.flush()
        except OSError as error:
            self.failure = self.failure or error

    def close(self) -> None:
        """End the log; never raises. Lines that come later are dropped."""
        try:
            with self._guard:
                self._hand_on()
                self._file.close()
        except OSError as error:
            self.failure = self.failure or error
