"""Keys at a POSIX terminal: one by one with the time since they were pressed, and as a line."""

from __future__ import annotations

import errno
import os
import pty
import signal
import sys
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from types import SimpleNamespace

import pytest

from seqrun.errors import NotMeasured
from seqrun.runner.presses import terminal_presses
from seqrun.runner.typed import discard_typed, line_of

HANG_S = 60.0


@pytest.fixture
def keys(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The keyboard of a terminal that is standard input; closed where the test has not done so."""
    far, near = pty.openpty()
    with os.fdopen(near, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        yield far
    with suppress(OSError):
        os.close(far)


def typed_line(keys: int, *parts: bytes) -> tuple[str, str]:
    """What is typed part after part, as a line, and what the screen shows of it."""
    shown: list[str] = []
    with line_of(shown.append) as line:
        got = None
        for part in parts:
            os.write(keys, part)
            got = line.typed(HANG_S)
        while got is None:
            got = line.typed(HANG_S)
    return got, "".join(shown)


def test_a_key_arrives_without_enter_and_knows_when_it_was_pressed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    far, near = pty.openpty()
    with os.fdopen(near, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        with terminal_presses() as taken:
            assert taken() == []
            os.write(far, b"tc")
            end = time.monotonic() + 5.0
            got = taken()
            while len(got) < 2 and time.monotonic() < end:
                got += taken()
            assert [press.key for press in got] == ["t", "c"]
            assert all(0.0 <= press.ago_s < 5.0 for press in got)
    os.close(far)


def test_without_a_terminal_nobody_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    with open(os.devnull) as nothing:  # noqa: PTH123 - a device, not a file
        monkeypatch.setattr(sys, "stdin", nothing)
        with pytest.raises(NotMeasured, match="nobody"), terminal_presses():
            pass


def test_a_line_is_what_was_typed_less_what_was_taken_back(keys: int) -> None:
    before = termios.tcgetattr(sys.stdin)
    got, shown = typed_line(keys, "12Ω".encode(), b"\x7f", b"x\x1b[D", b"\x15", b"4.7\x7f5\r9\r")
    assert got == "4.5"
    assert shown == "12Ω\b \bx\b\b\b   \b\b\b4.7\b \b5\n"
    assert termios.tcgetattr(sys.stdin) == before


def test_half_a_line_typed_too_early_is_no_part_of_an_answer(keys: int) -> None:
    os.write(keys, b"y")
    discard_typed()
    assert typed_line(keys, b"no\n")[0] == "no"


def test_no_more_is_said_by_ctrl_d_at_the_beginning_of_a_line(keys: int) -> None:
    with pytest.raises(EOFError):
        typed_line(keys, b"\x04")


def test_ctrl_c_acts_while_the_one_who_asked_is_busy(keys: int) -> None:
    came = threading.Event()
    before = signal.signal(signal.SIGINT, lambda *_: came.set())
    try:
        with line_of(lambda _: None) as line:
            os.write(keys, b"4\x03")
            end = time.monotonic() + HANG_S
            while not came.wait(0.02) and time.monotonic() < end:
                pass  # no key is asked for: an instrument is read, say
            assert came.is_set()
            assert line.typed(HANG_S) is None
            os.write(keys, b"2\n")
            assert line.typed(HANG_S) == "42"
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_terminal_that_goes_while_it_is_asked_is_told_at_once(keys: int) -> None:
    with line_of(lambda _: None) as line, pytest.raises(OSError, match="gone"):
        assert line.typed(0.01) is None
        os.close(keys)
        line.typed(HANG_S)


def test_what_was_typed_before_somebody_watches_is_no_key(keys: int) -> None:
    os.write(keys, b"t")
    with terminal_presses() as taken:
        os.write(keys, b"2")
        end = time.monotonic() + HANG_S
        while not (got := taken()) and time.monotonic() < end:
            pass
        assert [press.key for press in got] == ["2"]


def test_a_terminal_that_only_says_that_it_breaks_is_gone(
    keys: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: int) -> bytes:
        raise OSError(errno.EIO, "Input/output error")

    with line_of(lambda _: None) as line, pytest.raises(OSError, match="gone"):
        monkeypatch.setattr("prompt_toolkit.input.posix_utils.os", SimpleNamespace(read=broken))
        os.write(keys, b"4")
        line.typed(HANG_S)


def test_keys_of_a_terminal_that_is_gone_are_none(keys: int) -> None:
    with terminal_presses() as taken:
        os.close(keys)
        assert taken() == []
