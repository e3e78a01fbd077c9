"""Windows' console as its programs find it, for the library that reads it: keys wait as events.

Only the handful of system calls that a reader of keys makes. What they mean is Windows' published
console interface; the library's own code for Windows runs on them.
"""

from __future__ import annotations

import ctypes
import importlib
import sys
import threading
from types import SimpleNamespace
from typing import Any

_FOUND = 0x01F7  # a console's mode to begin with: lines, echoed; Ctrl-C is a signal
_TIMEOUT, _KEY_EVENT, _IN = 0x102, 0x0001, 7


class Console:
    """A console with keys that wait. ``kernel32`` is what a program calls."""

    def __init__(self, *, escapes: bool = False) -> None:
        self.keys: list[tuple[int, str]] = []  # virtual key code and character
        self.mode = _FOUND
        self._escapes = escapes
        self._events: dict[int, bool] = {}
        self._change = threading.Condition()
        self.kernel32 = SimpleNamespace(
            GetStdHandle=lambda _: _IN,
            GetConsoleMode=self._get_mode,
            SetConsoleMode=self._set_mode,
            WaitForMultipleObjects=self._wait,
            CreateEventA=self._event,
            SetEvent=self._set,
            CloseHandle=lambda _: 1,
            ReadConsoleInputW=self._read,
        )

    def type(self, text: str, code: int = 0) -> None:
        """Press one key after another; with a code, one that gives no character."""
        with self._change:
            self.keys += [(code, "\x00")] if code else [(0, letter) for letter in text]
            self._change.notify_all()

    @property
    def as_found(self) -> bool:
        """Whether it is in the mode in which it was found."""
        return self.mode == _FOUND

    def _get_mode(self, _handle: Any, mode: Any) -> int:
        target = mode._obj if hasattr(mode, "_obj") else mode.contents
        target.value = self.mode
        return 1

    def _set_mode(self, _handle: Any, mode: Any) -> int:
        wanted = mode if isinstance(mode, int) else mode.value
        if wanted & 0x0200 and not self._escapes:
            return 0  # a console before Windows 10
        self.mode = wanted
        return 1

    def _event(self, *_: Any) -> int:
        with self._change:
            number = 100 + len(self._events)
            self._events[number] = False
            return number

    def _set(self, handle: Any) -> int:
        with self._change:
            self._events[handle.value] = True
            self._change.notify_all()
        return 1

    def _wait(self, count: int, handles: Any, _every: Any, timeout: Any) -> int:
        asked_ms = ctypes.c_int32(timeout.value).value  # a long is longer outside of Windows
        within = None if asked_ms < 0 else asked_ms / 1000.0

        def ready() -> list[int]:
            numbers = [handles[index] for index in range(count)]
            return [
                index
                for index, number in enumerate(numbers)
                if (bool(self.keys) if number == _IN else self._events[number])
            ]

        with self._change:
            found = self._change.wait_for(ready, within)
        return found[0] if found else _TIMEOUT

    def _read(self, _handle: Any, records: Any, most: int, read: Any) -> int:
        with self._change:
            taken, self.keys = self.keys[: most // 2], self.keys[most // 2 :]
        place = 0
        for code, letter in taken:
            for down in (True, False):  # every key comes up again
                record = records.contents[place]
                record.EventType = _KEY_EVENT
                record.Event.KeyEvent.KeyDown = down
                record.Event.KeyEvent.VirtualKeyCode = code
                record.Event.KeyEvent.uChar.UnicodeChar = letter
                place += 1
        read.contents.value = place
        return 1


class Answering(Console):
    """Somebody sits there who types too early for each question, and answers it when it is put.

    Args:
        early: typed whenever a question is over, ahead of the next.
        answer: typed when a reader waits for keys and none are there.
    """

    def __init__(self, early: str, answer: str) -> None:
        super().__init__()
        self._too_early, self._answer = early, answer
        self._asked = False
        self.early = 0
        self.type(early)

    def _wait(self, count: int, handles: Any, every: Any, timeout: Any) -> int:
        if count > 1 and not self.keys and not self._events[handles[0]]:
            self._asked = True
            self.type(self._answer)
        return super()._wait(count, handles, every, timeout)

    def _set_mode(self, handle: Any, mode: Any) -> int:
        done = super()._set_mode(handle, mode)
        if self._asked and self.as_found:
            self._asked = False
            self.early += 1
            self.type(self._too_early)
        return done


class Keyboard:
    """Standard input at such a console."""

    encoding = "utf-8"
    closed = False

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return 0

    def readline(self) -> str:
        raise AssertionError("the console was read by lines, during which nothing else can be done")


def install(console: Console) -> None:
    """From now on the library takes this system for Windows, and this console for its own; the
    program around it stays where it is."""
    ctypes.windll = SimpleNamespace(kernel32=console.kernel32)  # type: ignore[attr-defined]
    sys.modules["msvcrt"] = SimpleNamespace(locking=None)  # type: ignore[assignment]
    sys.stdin = Keyboard()  # type: ignore[assignment]
    import prompt_toolkit.input.defaults as defaults

    own, sys.platform = sys.platform, "win32"
    try:
        for name in ("prompt_toolkit.eventloop.win32", "prompt_toolkit.input.win32"):
            module: Any = importlib.import_module(name)
            module.windll = ctypes.windll  # type: ignore[attr-defined]
    finally:
        sys.platform = own
    defaults.sys = SimpleNamespace(platform="win32", stdin=sys.stdin)  # type: ignore[assignment]
