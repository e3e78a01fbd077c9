"""Text that cannot steer a terminal, and the one place that all of a command's output goes through.

A name in a file and an identity that an instrument tells are somebody else's text. Escape
sequences in them would colour, move and overwrite what we say, and marks of writing direction would
reorder it. Only our own drawing moves the cursor: it says so by :func:`through`.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
from collections.abc import Iterator
from typing import (
    IO,
    Any,
    TextIO,
    cast,  # noqa: TID251  a stream that stands for another has no type of its own
)

from seqrun.report.shared.printing import Printer

# Unicode's general categories Cc, Zl, Zp, Cs and the Cf that can be met: C0 and C1 controls, line
# and paragraph separators, zero widths, marks and isolates of direction, tags, lone surrogates.
_HIDDEN = (
    "\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff\ufeff"
    "\ufff9-\ufffb\U000e0000-\U000e007f"
)
#: everything that is no character of a line, but for the line feed that our own texts break at
_CONTROL = re.compile(f"[\x00-\x09\x0b-\x1f{_HIDDEN}]")
#: the same where a file is shown as it is: its tabs stay
_STEERING = re.compile(f"[\x00-\x08\x0b-\x1f{_HIDDEN}]")


def clean(text: str) -> str:
    """Text without control characters, so that no name or answer can steer the terminal."""
    return _CONTROL.sub(" ", text)


class CleanedStream(io.TextIOWrapper):
    """A text stream whose ``write`` cleans what it gets; within :func:`unhurried` nobody waits for
    its reader."""

    _printer: Printer | None = None

    def write(self, text: str, /) -> int:
        self.draw(_STEERING.sub(" ", text))
        return len(text)

    def draw(self, text: str) -> int:
        """What we draw ourselves, as it is."""
        if self._printer is None:
            return super().write(text)
        said = text.replace("\n", os.linesep)
        self._printer.put(said.encode(self.encoding, self.errors or "replace"))
        return len(text)

    def flush(self) -> None:
        if self._printer is None:
            super().flush()
        else:
            self._printer.shown(0.0)

    def shown(self, within_s: float) -> bool:
        """See :func:`shown`."""
        return self._printer is None or self._printer.shown(within_s)

    def hand_over(self) -> None:
        """Have a thread print from now on."""
        super().flush()
        raw: Any = getattr(self.buffer, "raw", self.buffer)
        self._printer = Printer(raw)

    def take_back(self) -> None:
        """Print here again; nothing more, where the thread still waits for the reader."""
        if self._printer is not None and self._printer.finish():
            self._printer = None


class _Drawing:
    """A stream that does not clean; all else is that of the stream that does."""

    def __init__(self, stream: CleanedStream) -> None:
        self._stream = stream
        self.write = stream.draw

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def through(stream: TextIO) -> TextIO:
    """The same stream for our own drawing; its user cleans what it shows."""
    return cast(TextIO, _Drawing(stream)) if isinstance(stream, CleanedStream) else stream


def shown(stream: IO[str], within_s: float) -> bool:
    """Whether all that was printed there was taken by its reader, after at most so many seconds.

    Raises:
        OSError, ValueError: nothing can be printed there any more.
    """
    return not isinstance(stream, CleanedStream | _Drawing) or bool(stream.shown(within_s))


@contextlib.contextmanager
def unhurried() -> Iterator[None]:
    """Meanwhile nobody who prints waits for the reader of standard output or standard error: what
    it does not take is kept for later. At the end the reader is waited for as long as it takes
    something, and given up when it takes nothing. That nothing can be printed any more is told to
    whoever prints next."""
    streams = [s for s in (sys.stdout, sys.stderr) if isinstance(s, CleanedStream)]
    for stream in streams:
        with contextlib.suppress(OSError, ValueError):  # its user is told by what it prints
            stream.hand_over()
    try:
        yield
    finally:
        for stream in streams:
            stream.take_back()


@contextlib.contextmanager
def output_cleaned() -> Iterator[None]:
    """Meanwhile standard output and standard error show no control character, whoever prints; a
    letter that they cannot show ends no run."""
    before: dict[str, io.TextIOWrapper] = {}
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, io.TextIOWrapper) and not isinstance(stream, CleanedStream):
            _flush(stream)
            before[name] = stream
            cleaned = CleanedStream(
                stream.buffer,
                encoding=stream.encoding,
                errors="replace",
                line_buffering=stream.line_buffering,
                write_through=stream.write_through,
            )
            setattr(sys, name, cleaned)
    try:
        yield
    finally:
        for name, stream in before.items():
            cleaned = getattr(sys, name)
            _flush(cleaned)
            if isinstance(cleaned, CleanedStream):
                with contextlib.suppress(OSError, ValueError):
                    cleaned.detach()  # or it closes the stream that it stands before
            setattr(sys, name, stream)


def _flush(stream: TextIO) -> None:
    with contextlib.suppress(OSError, ValueError):  # nobody reads it: its user is told elsewhere
        stream.flush()
