"""The keys of a terminal, alike on POSIX terminals and on Windows' console.

prompt_toolkit's input knows the three systems: how a terminal is told to give key by key, what
wakes whoever waits for one, and which bytes or console events are one key. It is imported where
somebody is really asked. While keys are read Ctrl-C comes as one of them; a thread that does
nothing else makes it the signal that it is elsewhere, so that it acts while the run is busy with an
instrument.
"""

from __future__ import annotations

import asyncio
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from prompt_toolkit.key_binding import KeyPress

ENTER, RUB_OUT, RUB_OUT_ALL, NO_MORE = "\n", "\b", "\x15", "\x04"
_INTERRUPT = "\x03"
#: Wakes in a row that bring nothing before a terminal counts as gone. Half a letter or half an
#: arrow key may bring nothing once or twice; a terminal that is lost does so for ever.
_EMPTY = 100


@contextmanager
def keyboard() -> Iterator[Keyboard]:
    """While this lasts, what is typed at the terminal arrives key by key, unechoed; Ctrl-C still
    interrupts.

    Raises:
        OSError: there is no terminal, or it is gone.
        ImportError: the system has no terminals that give key by key.
    """
    with ExitStack() as stack:
        source = _open(stack)
        one = Keyboard(source)
        stack.callback(one.stop)
        one.start()
        yield one


def discard_keys() -> None:
    """Throw away what was typed at the terminal and not read yet.

    Raises:
        OSError: there is no terminal, or it is gone.
    """
    with ExitStack() as stack:
        _waiting(_open(stack))


def _open(stack: ExitStack) -> Input:
    if not at_terminal():
        raise OSError("nobody is at a terminal")
    from prompt_toolkit.input import create_input

    source = create_input(sys.stdin)
    stack.callback(source.close)
    try:
        stack.enter_context(source.raw_mode())
    except Exception as error:  # a POSIX terminal's own error is no OSError, and not everywhere
        raise OSError(f"the terminal does not give its keys: {error}") from error
    return source


def at_terminal() -> bool:
    """Whether somebody can type at a terminal."""
    try:
        return sys.stdin.isatty()
    except (OSError, ValueError):  # it is closed
        return False


class Keyboard:
    """A thread that notes each key and when it was pressed."""

    def __init__(self, source: Input) -> None:
        self._source = source
        self._noted: list[tuple[str, float]] = []
        self._gone = False
        self._empty = 0
        self._change = threading.Condition()
        self._loop = asyncio.new_event_loop()
        self._over = asyncio.Event()
        self._thread = threading.Thread(target=self._read, name="keyboard", daemon=True)

    def start(self) -> None:
        """Begin to note keys."""
        self._thread.start()

    def stop(self) -> None:
        """Note no more keys; the thread is over."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._over.set)
            self._thread.join()
        self._loop.close()

    def taken(self, within_s: float = 0.0) -> list[tuple[str, float]]:
        """The keys since the last call, oldest first, each with the moment on the monotonic clock
        at which it came; waits at most so many seconds for the first.

        Raises:
            OSError: the terminal is gone.
        """
        with self._change:
            self._change.wait_for(lambda: self._noted or self._gone, within_s)
            noted, self._noted = self._noted, []
            if self._gone and not noted:
                raise OSError("the terminal is gone")
            return noted

    def discard(self) -> None:
        """Throw away what was pressed until now."""
        with self._change:
            _waiting(self._source)
            self._noted.clear()

    def _read(self) -> None:
        try:
            self._loop.run_until_complete(self._listen())
            self._loop.run_until_complete(self._loop.shutdown_default_executor())
        finally:
            self._lose()

    async def _listen(self) -> None:
        with self._source.attach(self._ready):
            await self._over.wait()

    def _ready(self) -> None:
        with self._change:  # two who read at once: one of them would wait for ever
            keys = _waiting(self._source)
            now = time.monotonic()
            self._noted += [(key, now) for key in keys]
            self._empty = 0 if keys else self._empty + 1
            self._change.notify_all()
        if self._source.closed or self._empty > _EMPTY:
            self._over.set()

    def _lose(self) -> None:
        with self._change:
            self._gone = True
            self._change.notify_all()


def _waiting(source: Input) -> list[str]:
    """The keys that wait, none of which is waited for."""
    found: list[str] = []
    while not source.closed and (pressed := source.read_keys()):
        for press in pressed:
            found += _meant(press)
    if _INTERRUPT in found:
        _interrupt()
    return [key for key in found if key != _INTERRUPT]


def _meant(press: KeyPress) -> list[str]:
    """The characters that a key stands for; arrows and the like mean nothing here."""
    from prompt_toolkit.keys import Keys

    special = {
        Keys.ControlC: _INTERRUPT,
        Keys.ControlJ: ENTER,
        Keys.ControlM: ENTER,
        Keys.ControlH: RUB_OUT,
        Keys.ControlU: RUB_OUT_ALL,
        Keys.ControlD: NO_MORE,
    }
    if press.key == Keys.BracketedPaste:
        return [ENTER if letter in "\r\n" else letter for letter in press.data]
    if isinstance(press.key, Keys):
        return [special[press.key]] if press.key in special else []
    return [press.key]


def _interrupt() -> None:
    """What Ctrl-C is where the terminal itself makes a signal of it: the main thread is woken."""
    main = threading.main_thread().ident
    if sys.platform != "win32" and main is not None:
        signal.pthread_kill(main, signal.SIGINT)
    else:
        signal.raise_signal(signal.SIGINT)
