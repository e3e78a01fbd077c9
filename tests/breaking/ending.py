"""Runs that are ended from outside at one of their messages: killed, stopped, told to end, with
their disk or their terminal taken away.

The run is the command line itself in a forked process, so that the many imports are done once; the
bench is served by another, as real instruments are on their own. What happens comes just before the
n-th message goes out: every moment of a run can be reached, on a machine that is slow or fast.
"""

from __future__ import annotations

import os
import resource
import select
import shutil
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pyvisa_py  # noqa: F401 - what every run imports late: forked runs have it already
import rich.table  # noqa: F401
import scipy.special  # noqa: F401
from telling import energised

import demo_sim
import seqrun.report.run.page
import seqrun.report.run.terminal
import seqrun.runner.preparation
import seqrun.runner.run  # noqa: F401
from seqrun.cli import main
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.wire import Wire
from seqrun.record import RecordError, Store
from seqrun.runner.opening import BenchClock

#: what happens, and whether there were readings for it to happen to
Ending = Callable[[Path], bool]

MOVED = "moved away"
STOPPED_S = 6.0  # longer than ``seqrun.runner.pulse.GAP_S``
HANG_S = 300.0

#: lines of a sequence that powers the unit, drives it and powers it down, in a few seconds of CPU
SHORT = """title = "Short"
revision = "A"
cautions = ["Stored charge: below 2 V by meter before touching."]
[[trip]]
quantity = "supply_current"
above = "1.2 * supply_at_rated_power"
why = "a shorted output device"
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
[[step]]
id = "loads"
do = "load_resistance"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
healthy_current = "3 * supply_idle"
running_limit = "1.35 * supply_at_rated_power"
[[step]]
id = "relays"
do = "await_output"
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "gain"
do = "gain"
limit = { between = ["gain - 1 dB", "gain + 1 dB"] }
[[step]]
id = "discharge"
do = "power_down"
limit = { at_most = "2 V" }
"""


class ServedBench:
    """A simulated bench in a process of its own; its file is ``bench.toml`` in the folder."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "bench.toml"
        self._asking, answering = socket.socketpair()
        self._pid = os.fork()
        if self._pid == 0:
            self._asking.close()
            with suppress(BaseException):
                self._serve(answering)
            os._exit(0)
        answering.close()
        self._asking.recv(1)  # it is there

    def _serve(self, answering: socket.socket) -> None:
        bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
        with bench.serve() as server:
            self.file.write_text(server.bench_toml(), encoding="utf-8")
            answering.sendall(b"!")
            while answering.recv(1):
                answering.sendall(b"1" if energised(bench) else b"0")

    @property
    def energised(self) -> bool:
        self._asking.sendall(b"?")
        return self._asking.recv(1) == b"1"

    def close(self) -> None:
        self._asking.close()
        os.waitpid(self._pid, 0)


@contextmanager
def served(folder: Path) -> Iterator[ServedBench]:
    bench = ServedBench(folder)
    try:
        yield bench
    finally:
        bench.close()


@dataclass
class Ended:
    """A run that is over. ``code`` is its exit code, or the number of its signal below zero."""

    code: int = 0
    said: str = ""
    messages: int = 0
    was_on: bool = False  # the bench when it was stopped, or killed
    happened: bool = False


@dataclass
class Run:
    """One run of a sequence on a served bench.

    Args:
        folder: holds ``sequence.toml`` and the records.
        at: the message before which something happens; 0: nothing does.
        what: one of ``ENDINGS``.
    """

    folder: Path
    bench: ServedBench
    at: int = 0
    what: str = ""
    results: Path = field(init=False)

    def clear(self) -> None:
        """Away with what it left on disk."""
        for name in (self.results.name, MOVED):
            shutil.rmtree(self.folder / name, ignore_errors=True)

    def __post_init__(self) -> None:
        self.results = self.folder / "results"

    def go(self) -> Ended:
        """Fork it, and see what becomes of it."""
        reader, writer = os.pipe()
        counting, counted = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(reader)
            os.close(counting)
            self._child(writer, counted)
        os.close(writer)
        os.close(counted)
        ended = Ended()
        until = time.monotonic() + HANG_S
        data = b""
        done = 0
        while done == 0:
            if time.monotonic() > until:
                os.kill(pid, signal.SIGKILL)
                ended.said += "HANG\n"
            if reader >= 0 and select.select([reader], [], [], 0.02)[0]:
                piece = os.read(reader, 1 << 16)
                data += piece
                if not piece:
                    os.close(reader)
                    reader = -1
            elif reader < 0:
                time.sleep(0.02)
            done, status = os.waitpid(pid, os.WNOHANG | os.WUNTRACED)
            if done and os.WIFSTOPPED(status):
                done = 0
                if self.what == "terminal gone":
                    os.close(reader)
                    reader = -1
                else:
                    ended.was_on = self.bench.energised
                    time.sleep(STOPPED_S)
                os.kill(pid, signal.SIGCONT)
        if reader >= 0:
            while piece := os.read(reader, 1 << 16):
                data += piece
            os.close(reader)
        with os.fdopen(counting, "rb") as file:
            numbers = file.read().split()
        ended.messages, ended.happened = len(numbers), b"*" in b" ".join(numbers)
        ended.code = os.waitstatus_to_exitcode(status)
        ended.said += data.decode("utf-8", "replace")
        if self.what == "SIGKILL":
            ended.was_on = self.bench.energised
        return ended

    def _child(self, writer: int, counted: int) -> None:
        code: object = 70
        try:
            for number in (1, 2):
                os.dup2(writer, number)
            os.close(writer)
            sys.stdin = os.fdopen(os.open(os.devnull, os.O_RDONLY), encoding="utf-8")
            sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
            sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False)
            self._count(counted)
            os.chdir(self.folder)
            sys.argv = ["seqrun", "run", "sequence.toml", "--bench", str(self.bench.file)]
            sys.argv += ["--serial", "K-1", "--results", str(self.results)]
            if self.what == "SIGSTOP":  # what passes here passes for the unit, as on a real bench
                BenchClock.virtual = False  # type: ignore[method-assign, assignment]
            main()
        except SystemExit as end:
            code = end.code
        except BaseException:
            import traceback

            traceback.print_exc()
        with suppress(OSError, ValueError):
            sys.stdout.flush()
        os._exit(code if isinstance(code, int) else 70)

    def _count(self, counted: int) -> None:
        """Each message is told to the parent; before one of them it happens."""
        send, number = Wire.send, 0

        def counting(wire: Wire, message: str | bytes) -> None:
            nonlocal number
            number += 1
            if number == self.at:
                if self.what in LOSES:
                    os.write(counted, b"* " if ENDINGS[self.what](self.results) else b"")
                else:
                    os.write(counted, b"* ")
                    ENDINGS[self.what](self.results)
            os.write(counted, b". ")
            send(wire, message)

        Wire.send = counting  # type: ignore[method-assign]


def _signalled(number: signal.Signals) -> Ending:
    def end(_: Path) -> bool:
        os.kill(os.getpid(), number)
        return True

    return end


def _has_rows(results: Path) -> bool:
    """Whether there is a reading below the head of the table."""
    table = results / "readings.csv"
    return table.is_file() and table.read_bytes().count(b"\n") > 1


def _folder_gone(results: Path) -> bool:
    had = _has_rows(results)
    shutil.rmtree(results, ignore_errors=True)
    return had


def _table_gone(results: Path) -> bool:
    had = _has_rows(results)
    (results / "readings.csv").unlink(missing_ok=True)
    return had


def _older_copy(results: Path) -> bool:
    """A backup of a while ago is put back over the table."""
    had = _has_rows(results)
    if had:
        table = results / "readings.csv"
        lines = table.read_bytes().splitlines(keepends=True)
        table.write_bytes(b"".join(lines[: max(1, len(lines) - 2)]))
    return had


def _disk_full(results: Path) -> bool:
    """No file can grow any more: the system refuses as a full disk does."""
    # A sound on disk may be larger than all that is still to come: the table is the measure.
    table = results / "readings.csv"
    most = table.stat().st_size if table.is_file() else 0
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
    return _has_rows(results)


def _moved(results: Path) -> bool:
    """What is still written goes where nobody looks for it."""
    had = _has_rows(results)
    if results.is_dir():
        results.rename(results.with_name(MOVED))
    return had


ENDINGS: dict[str, Ending] = {
    "SIGKILL": _signalled(signal.SIGKILL),
    "SIGTERM": _signalled(signal.SIGTERM),
    "SIGHUP": _signalled(signal.SIGHUP),
    "SIGINT": _signalled(signal.SIGINT),
    "SIGSTOP": _signalled(signal.SIGSTOP),
    "terminal gone": _signalled(signal.SIGSTOP),
    "folder gone": _folder_gone,
    "table gone": _table_gone,
    "older copy": _older_copy,
    "disk full": _disk_full,
    "folder moved": _moved,
}
LOSES = ("folder gone", "table gone", "older copy", "disk full", "folder moved")


def complaints(run: Run, ended: Ended) -> Iterator[str]:
    """What must not be: wanted is nothing."""
    if "Traceback" in ended.said:
        yield "TRACEBACK"
    if "HANG" in ended.said:
        yield "HANG"
    if run.what != "SIGKILL" and run.bench.energised:
        yield "LEFT ENERGISED"
    if ended.code == 1:
        yield "EXIT 1 WITHOUT A REJECT"
    if not ended.happened:
        return
    if run.what in ("SIGTERM", "SIGHUP", "SIGINT") and ended.code != 4:
        yield f"{run.what} AND EXIT {ended.code}"
    if run.what == "terminal gone" and ended.code == 0:
        yield "ACCEPTED BEFORE NOBODY"
    if run.what == "SIGSTOP" and ended.was_on and ended.code == 0:
        yield "STOPPED WITH POWER ON, AND ACCEPTED"
    if run.what in LOSES and ended.code == 0:
        yield "ACCEPTED, AND ROWS ARE LOST"
    if run.what in ("SIGTERM", "SIGHUP", "SIGINT", "SIGSTOP"):
        with suppress(RecordError):
            runs = Store(run.results).runs()
            if runs and not runs[-1].finished:
                yield "NO END ON RECORD"
