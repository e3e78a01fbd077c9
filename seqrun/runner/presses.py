"""Keys that the operator presses while something is watched: read without Enter, timed at once."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager

from seqrun.errors import NotMeasured
from seqrun.plan.context import Press

Presses = Callable[[], list[Press]]


@contextmanager
def no_presses() -> Iterator[Presses]:
    """For whoever has no keyboard.

    Raises:
        NotMeasured: always.
    """
    raise _nobody()
    yield list  # makes it a generator


def _nobody() -> NotMeasured:
    return NotMeasured(
        "nobody is at a terminal to press keys", expected="an operator at the terminal"
    )


@contextmanager
def terminal_presses() -> Iterator[Presses]:
    """While this lasts, what is typed at the terminal arrives key by key, unechoed.

    Yields what is to be called for the keys pressed since the last call. Ctrl-C still interrupts.

    Raises:
        NotMeasured: there is no terminal.
    """
    from seqrun.runner.keyboard import keyboard

    with ExitStack() as stack:
        try:
            keys = stack.enter_context(keyboard())
            keys.discard()
        except (OSError, ImportError):
            raise _nobody() from None

        def taken() -> list[Press]:
            try:
                noted = keys.taken()
            except OSError:  # nobody presses any more; whoever asks next is told
                return []
            now = time.monotonic()
            return [Press(key, now - pressed) for key, pressed in noted]

        yield taken
