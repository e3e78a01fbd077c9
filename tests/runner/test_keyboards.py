"""Keys and prompts where the modules of POSIX terminals are missing, as at Windows' console."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable

import pytest
from windows_console import Console, install

from seqrun.errors import Interrupted, NotMeasured
from seqrun.plan.context import Press
from seqrun.plan.needs import Hookup
from seqrun.runner.hands import Operator
from seqrun.runner.presses import terminal_presses
from seqrun.runner.typed import discard_typed, line_of

HANG_S = 60.0
UP = 38  # the arrow key's virtual code
LEAD = Hookup((("meter.hi", "out.left"),), "meter to the left output")


@pytest.fixture(params=[False, True], ids=["events", "escapes"])
def console(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Console:
    """A console before Windows 10, and one since; the POSIX modules cannot be imported."""
    for name in ("termios", "tty", "fcntl", "pty", "resource", "pwd", "grp"):
        monkeypatch.setitem(sys.modules, name, None)
    monkeypatch.setitem(sys.modules, "msvcrt", None)
    monkeypatch.setattr(sys, "stdin", None)
    monkeypatch.setattr("ctypes.windll", None, raising=False)
    monkeypatch.setattr("prompt_toolkit.input.defaults.sys", None)
    made = Console(escapes=request.param)
    install(made)
    return made


def came(signalled: threading.Event) -> bool:
    """Looks again and again, as a run does: a signal just before a long wait would not end it."""
    end = time.monotonic() + HANG_S
    while not signalled.wait(0.02) and time.monotonic() < end:
        pass
    return signalled.is_set()


def pressed(taken: Callable[[], list[Press]], count: int) -> list[str]:
    end, got = time.monotonic() + HANG_S, []
    while len(got) < count and time.monotonic() < end:
        got += [press.key for press in taken()]
    return got


def line_at(console: Console, *parts: str) -> tuple[str | None, str]:
    """What is typed part after part, as a line, and what the screen shows of it."""
    shown: list[str] = []
    with line_of(shown.append) as line:
        for part in parts:
            console.type(part)
        end, got = time.monotonic() + HANG_S, None
        while got is None and time.monotonic() < end:
            got = line.typed(HANG_S)
    return got, "".join(shown)


def test_keys_of_a_hunt_arrive_one_by_one(console: Console) -> None:
    with terminal_presses() as taken:
        console.type("t")
        assert pressed(taken, 1) == ["t"]
        console.type("", UP)  # an arrow key in between means nothing
        console.type("2")
        assert pressed(taken, 1) == ["2"]
    assert console.as_found


def test_ctrl_c_at_a_hunt_is_the_interrupt_that_it_is_elsewhere(console: Console) -> None:
    over = threading.Event()
    before = signal.signal(signal.SIGINT, lambda *_: over.set())
    try:
        with terminal_presses() as taken:
            console.type("\x03")
            assert came(over)
            assert taken() == []
    finally:
        signal.signal(signal.SIGINT, before)


def test_without_a_console_nobody_is_there(
    console: Console, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False)
    with pytest.raises(NotMeasured, match="nobody"), terminal_presses():
        pass


def test_what_was_typed_before_a_question_does_not_answer_it(console: Console) -> None:
    console.type("\r\r")
    discard_typed()
    assert not console.keys and console.as_found


def test_a_line_is_what_was_typed_less_what_was_taken_back(console: Console) -> None:
    typed, shown = line_at(console, "12Ω", "\x08", "x", "\x15", "4.7", "\x08", "5\r", "9\r")
    assert typed == "4.5"
    assert shown.startswith("12Ω\b \bx\b\b\b   \b\b\b4.7\b \b5") and shown.endswith("\n")


def test_while_somebody_types_others_are_looked_after(console: Console) -> None:
    with line_of(lambda _: None) as line:
        assert line.typed(0.01) is None
        console.type("4")
        assert line.typed(HANG_S) is None  # a first key is no answer: the trips are looked at
        assert line.typed(0.01) is None
        console.type("\r")
        assert line.typed(HANG_S) == "4"


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
