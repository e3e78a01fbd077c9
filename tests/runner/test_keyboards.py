"""Keys and prompts where the modules of POSIX terminals are missing, as at Windows' console."""

from __future__ import annotations

import sys
import time
from collections import deque
from types import SimpleNamespace
from typing import Any

import pytest

from seqrun.errors import Interrupted, NotMeasured
from seqrun.plan.needs import Hookup
from seqrun.runner.hands import Operator
from seqrun.runner.presses import terminal_presses
from seqrun.runner.typed import discard_typed, waits

LEAD = Hookup((("meter.hi", "out.left"),), "meter to the left output")


class Screen:
    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return 0


@pytest.fixture
def console(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A console with a queue of keys; the POSIX modules cannot be imported."""
    for name in ("termios", "tty", "fcntl", "pty", "resource", "pwd", "grp"):
        monkeypatch.setitem(sys.modules, name, None)
    keys: deque[str] = deque()
    made = SimpleNamespace(kbhit=lambda: bool(keys), getwch=keys.popleft, keys=keys)
    monkeypatch.setitem(sys.modules, "msvcrt", made)
    monkeypatch.setattr(sys, "stdin", Screen())
    monkeypatch.setattr("select.select", lambda *_: (_ for _ in ()).throw(OSError("sockets only")))
    return made


def pressed(taken: Any, count: int) -> list[str]:
    end, got = time.monotonic() + 5.0, []
    while len(got) < count and time.monotonic() < end:
        got += [press.key for press in taken()]
    return got


def test_keys_of_a_hunt_arrive_one_by_one(console: Any) -> None:
    with terminal_presses() as taken:
        console.keys.extend(["t", "\xe0", "H", "2"])  # an arrow key in between means nothing
        assert pressed(taken, 2) == ["t", "2"]


def test_without_a_console_nobody_is_there(console: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "msvcrt", None)
    with pytest.raises(NotMeasured, match="nobody"), terminal_presses():
        pass


def test_what_was_typed_before_a_question_does_not_answer_it(console: Any) -> None:
    console.keys.extend("\r\r")
    discard_typed()
    assert not console.keys


def test_while_nobody_types_others_are_looked_after(console: Any) -> None:
    assert not waits(0.06)
    console.keys.append("\r")
    assert waits(0.06)


def operator(*answers: str) -> tuple[Operator, list[str]]:
    said: list[str] = []
    left = iter(answers)
    return Operator(lambda _: next(left), said.append, lambda: None), said


def test_a_question_mark_tells_what_is_expected_and_why_and_asks_again() -> None:
    hands, said = operator("?", "")
    hands.connect(LEAD, live=False)
    assert any("would look like a fault of the unit" in text for text in said)


def test_a_lead_that_is_skipped_needs_a_reason_and_is_not_measured() -> None:
    hands, _ = operator("s", "", "the clip does not reach")
    with pytest.raises(NotMeasured, match=r"skipped .*does not reach.*meter to the left output"):
        hands.connect(LEAD, live=False)


def test_cautions_cannot_be_skipped() -> None:
    hands, said = operator("s", "q")
    with pytest.raises(Interrupted):
        hands.acknowledge("Stored charge: confirm below 2 V.")
    assert any("none of Enter" in text for text in said)
