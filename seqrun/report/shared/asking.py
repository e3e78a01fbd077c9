"""A question at the terminal, and its answer, shown while it is typed."""

from __future__ import annotations

import sys

from seqrun.report.shared.cleaned import clean, through

_LOOK_S = 60.0  # any time will do: nothing else is to be done meanwhile


def echo(typed: str) -> None:
    """Show what somebody types, where the cursor is; "\\b" moves back by a column."""
    screen = through(sys.stdout)
    screen.write(typed)
    screen.flush()


def answer_to(words: str) -> str:
    """The line that somebody types in answer, while no unit is looked after.

    Raises:
        EOFError: nobody types any more.
    """
    from seqrun.runner.typed import line_of

    try:
        with line_of(echo) as line:
            print(clean(words), end="", flush=True)
            while (given := line.typed(_LOOK_S)) is None:
                pass
            return given
    except OSError:
        raise EOFError from None
