"""A screen that takes nothing more stops neither the trips nor the safe state nor the end."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from seqrun.record import load_run
from seqrun.report.run.progress import Progress
from seqrun.report.shared.cleaned import CleanedStream, shown, unhurried
from seqrun.report.shared.printing import KEPT, Printer
from seqrun.runner.presses import terminal_presses
from seqrun.values import Disposition

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is POSIX")

HANG_S = 60.0
#: the command, with less patience for a reader that takes nothing once the power is off
IMPATIENT = """
from seqrun.cli import main
from seqrun.report.shared import printing
printing.Printer.finish.__defaults__ = (0.5,)
main()
"""
TRIP = '[[trip]]\nquantity = "out_dc"\nabove = "300 mV"\nwhy = "a test"\n[[step]]'


@contextmanager
def full_pipe() -> Iterator[int]:
    """The writing end of a pipe that takes nothing more and is never read."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    try:
        while True:
            os.write(writing, b"." * 512)
    except BlockingIOError:
        os.set_blocking(writing, True)
    yield writing
    os.close(reading)
    os.close(writing)


class Terminal:
    """A pseudo-terminal that can be stopped and started, as by Ctrl-S and Ctrl-Q."""

    def __init__(self) -> None:
        import pty

        self.keyboard, self.number = pty.openpty()

    def stop(self) -> None:
        import termios

        termios.tcflow(self.number, termios.TCOOFF)

    def start(self) -> None:
        import termios

        termios.tcflow(self.number, termios.TCOON)

    def type(self, keys: bytes) -> None:
        os.write(self.keyboard, keys)

    def seen(self, until: str) -> str:
        """All that has come on the screen, up to and with a text that is still to come."""
        said = b""
        while until.encode() not in said and select.select([self.keyboard], [], [], HANG_S)[0]:
            said += os.read(self.keyboard, 1 << 16)
        return said.decode()


@contextmanager
def at_terminal() -> Iterator[Terminal]:
    """Standard input and output are a terminal of the test's own."""
    one = Terminal()
    with (
        os.fdopen(one.number, "r", closefd=False) as stdin,
        os.fdopen(one.number, "wb", closefd=False) as out,
        pytest.MonkeyPatch.context() as patch,
    ):
        patch.setattr(sys, "stdin", stdin)
        patch.setattr(sys, "stdout", CleanedStream(out, encoding="utf-8", errors="replace"))
        try:
            yield one
        finally:
            one.start()
    os.close(one.number)
    os.close(one.keyboard)


def test_with_a_pipe_that_nobody_reads_a_run_trips_makes_safe_and_ends_as_ever(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    path = Path(short_sequence())
    path.write_text(path.read_text("utf-8").replace("[[step]]", TRIP, 1), "utf-8")
    command = [sys.executable, "-c", IMPATIENT, "run", str(path), "--bench", "demo"]
    faults: dict[str, tuple[str, ...]] = {
        "good": (),
        "offset": ("--fault", "dc_offset@left=0.6"),
    }
    with full_pipe() as output:
        running = {
            name: subprocess.Popen(
                [*command, "--serial", "T-1", "--results", str(tmp_path / name), *fault],
                stdout=output,
                stderr=subprocess.PIPE,
            )
            for name, fault in faults.items()
        }
        try:
            told = {name: one.communicate(timeout=HANG_S)[1] for name, one in running.items()}
        finally:
            for one in running.values():
                one.kill()
    assert told == {"good": b"", "offset": b""}
    assert {name: one.returncode for name, one in running.items()} == {"good": 0, "offset": 4}
    runs = {name: load_run(tmp_path / name, "last") for name in faults}
    assert runs["good"].run.disposition is Disposition.ACCEPT
    assert runs["offset"].run.disposition is Disposition.ABORTED
    assert "out_dc" in runs["offset"].run.reason
    for run in runs.values():
        safe = run.facts["safe"]
        assert safe["unconfirmed"] == [] and any("supply" in one for one in safe["confirmed"])


def test_keys_pressed_while_a_question_cannot_be_seen_do_not_answer_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("seqrun.report.run.progress._ASK_S", 0.2)
    looks: list[int] = []
    with at_terminal() as terminal:

        def meanwhile() -> None:
            looks.append(1)
            if len(looks) == 2:  # the trips are looked at, and Enter is no answer yet
                terminal.start()
            if len(looks) > 2:
                terminal.type(b"yes\n")

        with unhurried():
            terminal.stop()
            progress = Progress(live=False)
            progress.say("HOOKUP  meter: red to out.left")
            terminal.type(b"\n")
            assert progress.ask("Enter when done: ", meanwhile) == "yes"
        said = terminal.seen("Enter when done")
    assert said.index("HOOKUP") < said.index("Enter when done")


def test_keys_can_be_read_while_the_terminal_is_stopped() -> None:
    over = threading.Event()

    def press() -> None:
        with terminal_presses():
            pass
        over.set()

    with at_terminal() as terminal, unhurried():
        terminal.stop()
        print("a line", flush=True)
        assert not shown(sys.stdout, 0.05)
        threading.Thread(target=press, daemon=True).start()
        in_time = over.wait(HANG_S / 4)
        terminal.start()
        assert over.wait(HANG_S)
    assert in_time


def test_what_is_printed_while_a_terminal_is_stopped_comes_later_in_its_order() -> None:
    with at_terminal() as terminal:
        with unhurried():
            terminal.stop()
            for number in range(20):
                print(f"line {number}", flush=True)
            assert not shown(sys.stdout, 0.0)
            terminal.start()
        said = terminal.seen("line 19\r\n")
    assert said.split("\r\n")[:-1] == [f"line {number}" for number in range(20)]


def test_what_moves_is_left_out_while_a_terminal_is_stopped(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setattr("seqrun.report.run.progress._REDRAW_S", 0.0)
    with at_terminal() as terminal:
        with unhurried():
            progress = Progress()
            terminal.stop()
            progress.started("20260611-EX", 2, 600.0, True)
            progress.step_started(0, "soak", "soak", 600.0)
            for second in range(50):
                progress.step_progress(f"second {second}", None, float(second))
            progress.note("a fan has stopped")
            progress.close()
            terminal.start()
        said = terminal.seen("a fan has stopped")
    assert "run 20260611-EX" in said and "a fan has stopped" in said
    assert said.count("second ") <= 1


class Reader:
    """Takes nothing until it is let, then all; or breaks."""

    def __init__(self, error: OSError | None = None) -> None:
        self.error, self.may, self.got = error, threading.Event(), b""

    def write(self, data: bytes) -> int:
        self.may.wait(HANG_S)
        if self.error is not None:
            raise self.error
        self.got += data
        return len(data)


def test_the_newest_is_kept_and_the_reader_is_told_of_what_was_dropped() -> None:
    reader = Reader()
    printer = Printer(reader)  # type: ignore[arg-type]
    line, count = b"x" * 99 + b"\n", 2 * KEPT // 100
    for _ in range(count):
        printer.put(line)
    printer.put(b"SAFE STATE NOT CONFIRMED\n")
    reader.may.set()
    assert printer.shown(HANG_S)
    lines = reader.got.split(b"\n")
    assert lines[-2] == b"SAFE STATE NOT CONFIRMED"
    dropped = sum(int(one[1:].split()[0]) for one in lines if b"found no reader" in one)
    assert dropped + lines.count(line[:-1]) == count
    assert len(reader.got) < KEPT + 1000


def test_a_reader_that_is_gone_is_told_to_whoever_prints_next() -> None:
    reader = Reader(BrokenPipeError(32, "Broken pipe"))
    printer = Printer(reader)  # type: ignore[arg-type]
    printer.put(b"a line\n")
    reader.may.set()
    with pytest.raises(BrokenPipeError):
        printer.shown(HANG_S)
    with pytest.raises(BrokenPipeError):
        printer.put(b"another\n")
    assert printer.finish()


def test_a_reader_that_takes_nothing_is_given_up_at_the_end() -> None:
    reader = Reader()
    printer = Printer(reader)  # type: ignore[arg-type]
    printer.put(b"a line\n")
    assert not printer.shown(0.01)
    assert not printer.finish(0.01)
    printer.put(b"too late\n")
    reader.may.set()
    assert printer.shown(HANG_S)
    assert reader.got == b"a line\n"
