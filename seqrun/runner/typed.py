"""A line that is typed at a prompt, and what was typed too early.

At a terminal it is made of the keys of :mod:`seqrun.runner.keyboard`; from a pipe it is read as it
comes.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from seqrun.runner.keyboard import Keyboard


class TypedLine(Protocol):
    """The line that somebody is typing."""

    def typed(self, within_s: float) -> str | None:
        """The line without its end, once Enter was pressed; None when it is not there after so
        many seconds.

        Raises:
            EOFError: nobody types any more.
            OSError: the terminal is gone.
        """
        ...

    def discard(self) -> None:
        """Throw away what was typed until now."""
        ...


def discard_typed() -> None:
    """Throw away what was typed at the terminal and not read yet; nothing without a terminal."""
    from seqrun.runner.keyboard import discard_keys

    with suppress(OSError, ValueError, ImportError):  # one that is gone shows when it is asked
        discard_keys()


@contextmanager
def line_of(echo: Callable[[str], None]) -> Iterator[TypedLine]:
    """The next line of the terminal or of a pipe.

    Args:
        echo: shows what is typed at a terminal; "\\b" moves back by a column.

    Raises:
        OSError: the terminal is gone.
    """
    from seqrun.runner.keyboard import at_terminal, keyboard

    line: TypedLine = _Whole()
    with ExitStack() as stack:
        with suppress(ImportError):
            if at_terminal():
                line = _Edited(stack.enter_context(keyboard()), echo)
        yield line


class _Edited:
    """A line of keys, with the last letter or all of them taken back on request."""

    def __init__(self, keys: Keyboard, echo: Callable[[str], None]) -> None:
        self._keys, self._echo = keys, echo
        self._text = ""

    def typed(self, within_s: float) -> str | None:
        from seqrun.runner.keyboard import ENTER, NO_MORE, RUB_OUT, RUB_OUT_ALL

        for key, _ in self._keys.taken(within_s):
            if key == ENTER:
                self._echo("\n")
                return self._text  # what comes after it answers nothing
            if key == NO_MORE and not self._text:
                raise EOFError
            if key in (RUB_OUT, RUB_OUT_ALL):
                self._rub_out(1 if key == RUB_OUT else len(self._text))
            elif key.isprintable():
                self._text += key
                self._echo(key)
        return None

    def _rub_out(self, count: int) -> None:
        from rich.cells import cell_len

        kept = self._text[: max(len(self._text) - count, 0)]
        columns = cell_len(self._text) - cell_len(kept)
        self._text = kept
        if columns:
            self._echo("\b" * columns + " " * columns + "\b" * columns)

    def discard(self) -> None:
        self._keys.discard()


class _Whole:
    """A line that comes as a whole: of a pipe, or of a terminal that gives no single keys."""

    def typed(self, within_s: float) -> str | None:
        import select

        # Windows asks sockets only, and what stands in for a stream has no number: there the
        # reading itself has to wait
        with suppress(OSError, ValueError):
            if not select.select([sys.stdin], [], [], within_s)[0]:
                return None
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.rstrip("\r\n")

    def discard(self) -> None:
        """What a pipe holds was put there for the questions."""
