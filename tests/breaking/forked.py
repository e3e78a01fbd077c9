"""A run that is forked at its messages: each child gets one answer spoiled and goes on.

The run goes over the simulated bench in this process, on raw sockets without a network, so that
time-outs cost no time. What came before the spoiled message is run once, and every message can be
reached. A child goes on until the link is back in step: until a later step that uses the same
instrument has read what a clean run reads. From there on its run is the clean one, and it goes
straight to its power-down. (``whole`` lets each child go on to its own end.)
"""

from __future__ import annotations

import os
import pickle
import re
import resource
import signal
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pyvisa.constants import StatusCode
from spoiling import KINDS, LATE
from telling import Looking, energised, passed, rows_lost, wrong

import demo_sim
import seqrun.record.table
from demo_sim.links.visa import SocketSession
from seqrun.errors import SeqrunError
from seqrun.instruments.wire import Wire
from seqrun.record import Store
from seqrun.runner.engine import Engine
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Judged, Verdict

HANG_CPU_S = 60  # CPU time of one child
HANG_WALL_S = 900  # and on a machine that is busy with other things
BACK_IN_STEP = "back in step"


@dataclass(frozen=True)
class Exchange:
    """An answered message of the run: whose, in which step, and what it asked."""

    key: str
    step: str
    asked: str

    @property
    def like(self) -> tuple[str, str, str]:
        """The same for messages that differ in their numbers or channel only."""
        asked = re.sub(r"[-+.\d]+(E[-+]?\d+)?", "#", self.asked)
        return self.key, self.step.partition(".")[0], asked


@dataclass
class Tap(Looking):
    """Between the run and its instruments.

    Args:
        results: the run's results folder.
        todo: message -> kinds to try at it.
        clean: what a run without a spoiled answer reads.
        whole: every child goes on to its own end.
        acts: kinds that leave the answer alone and do something to the bench, by name.
        faults: of the unit.
    """

    results: Path
    todo: dict[int, list[str]] = field(default_factory=dict)
    clean: Sequence[Judged] = ()
    whole: bool = False
    acts: Mapping[str, Callable[[Any], None]] = field(default_factory=dict)
    faults: Sequence[str] = ()
    world: Any = None
    devices: Mapping[str, Any] = field(default_factory=dict)
    step: str = "opening"
    left_v: dict[str, float] = field(default_factory=dict)
    keys: dict[int, str] = field(default_factory=dict)  # device -> key
    seen: list[Exchange] = field(default_factory=list)
    told: list[tuple[int, str, list[str]]] = field(default_factory=list)
    child: tuple[int, str, int] | None = None  # message, kind, pipe
    cut: set[int] = field(default_factory=set)
    late: dict[int, bytes] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)  # instruments that answered in this step
    engine: Engine | None = None
    cpu_s: float = 0.0  # of the last child

    def answer(self, session: Any, asked: bytes, right: bytes) -> bytes | None:
        """What the run gets in place of the right answer; None: the link is cut."""
        key = self.keys.get(id(session.device), "control")
        self.used.add(key)
        if key == "control" or self.child is not None:
            return self.late.pop(id(session), b"") + right
        number = len(self.seen)
        self.seen.append(Exchange(key, self.step, asked.decode("latin-1").strip()))
        for kind in self.todo.get(number, ()):
            act = self.acts.get(kind)
            spoiled = right if act or kind == LATE else KINDS[kind](right)
            if act is None and kind != LATE and spoiled == right:
                continue  # nothing of this kind can be done to it
            before = {p: p.read_bytes() for p in self.results.rglob("*") if p.is_file()}
            places = _places_in(self.results)
            reader, writer = os.pipe()
            pid = os.fork()
            if pid == 0:
                os.close(reader)
                resource.setrlimit(resource.RLIMIT_CPU, (HANG_CPU_S, HANG_CPU_S))
                self.child = number, kind, writer
                if act is not None:
                    act(self.world)
                elif kind == LATE:
                    self.late[id(session)] = right
                    return b""
                return spoiled
            os.close(writer)
            said, self.cpu_s = _heard(pid, reader)
            self.told.append((number, kind, said))
            self.hear(*self.told[-1])
            _put_back(self.results, before)
            for number_of_file, place in places.items():
                os.lseek(number_of_file, place, os.SEEK_SET)
        return right

    def hear(self, number: int, kind: str, said: Sequence[str]) -> None:
        """A child has told what came of it."""

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        super().step_started(index, step_id, what, seconds)
        self.used.clear()

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        super().step_ended(step_id, judged, bench_s)
        if self.child is None or self.whole or self.engine is None:
            return
        spoiled = self.seen[self.child[0]]
        if step_id != spoiled.step and spoiled.key in self.used and self._as_clean(judged):
            self.engine.stopped_at = BACK_IN_STEP

    def _as_clean(self, judged: Sequence[Judged]) -> bool:
        verdicts = {(j.step, j.reading.quantity, j.reading.channel): j.verdict for j in self.clean}
        same = all(
            verdicts.get((j.step, j.reading.quantity, j.reading.channel)) == j.verdict
            for j in judged
        )
        read = any(j.reading.value is not None for j in judged)
        return read and same and not list(wrong(judged, self.clean, self))


def _heard(pid: int, reader: int) -> tuple[list[str], float]:
    """What a child says of its run, and the CPU time that it took, s."""
    signal.signal(signal.SIGALRM, lambda *_: os.kill(pid, signal.SIGKILL))
    signal.alarm(HANG_WALL_S)
    with os.fdopen(reader, "rb") as file:
        said = file.read()
    _, _, spent = os.wait4(pid, 0)
    signal.alarm(0)
    told = list(pickle.loads(said)) if said else ["HANG OR DEATH"]
    return told, spent.ru_utime + spent.ru_stime


def _places_in(folder: Path) -> dict[int, int]:
    """Where the open files of a folder are written next: a child moves that for its parent."""
    found = {}
    for link in Path("/proc/self/fd").iterdir():
        with suppress(OSError):
            if link.readlink().is_relative_to(folder):
                found[int(link.name)] = os.lseek(int(link.name), 0, os.SEEK_CUR)
    return found


def _put_back(folder: Path, before: dict[Path, bytes]) -> None:
    """The files as they were; the parent has some of them open."""
    for path in folder.rglob("*"):
        if path.is_file() and path not in before:
            path.unlink()
    for path, content in before.items():
        if not path.is_file():
            path.write_bytes(content)
        elif path.read_bytes() != content:
            with path.open("r+b") as file:
                file.write(content)
                file.truncate()


class _NoLock:
    """In place of the record's lock, which a forked process may not use: one of them runs at a
    time."""

    def __init__(self, *_: object, **__: object) -> None:
        pass

    def acquire(self, **_: object) -> None:
        pass

    def release(self) -> None:
        pass


def put_in(tap: Tap, patch: Any = setattr) -> None:
    """The tap into the library's raw sockets, and the demo bench onto those.

    Args:
        patch: sets an attribute; that of pytest's monkeypatch takes it back.
    """
    plain, stray, begin = SocketSession.read, Wire.stray, Engine.__init__
    asked: dict[int, bytes] = defaultdict(bytes)

    def write(self: Any, data: bytes) -> None:
        asked[id(self)] = data
        for response in self._stream.feed(data):
            right = b"".join(bytes(piece) for piece in response)
            given = tap.answer(self, data, right) if right else b""
            if given is None:
                tap.cut.add(id(self))
            elif given:
                self._received.append(given)

    def read(self: Any, count: int) -> tuple[bytes, StatusCode]:
        if id(self) in tap.cut:
            raise OSError("the connection is cut")
        return plain(self, count)

    def lies_about(self: Any) -> bool:
        """What the operating system tells of a real socket."""
        session = self._resource.visalib._sessions.get(self._session)
        return stray(self) or bool(session is not None and session._received.size)

    def engine(self: Any, *args: Any, **kwargs: Any) -> None:
        begin(self, *args, **kwargs)
        tap.engine = self

    def resources(self: demo_sim.Bench) -> dict[str, str]:
        return {key: f"TCPIP0::{key}.demo::5025::SOCKET" for key in self.devices}

    patch(seqrun.record.table, "FileLock", _NoLock)
    patch(SocketSession, "write", write)
    patch(SocketSession, "read", read)
    patch(Wire, "stray", lies_about)
    patch(Engine, "__init__", engine)
    patch(demo_sim.Bench, "resources", property(resources))


def once(sequence: str, tap: Tap) -> tuple[Outcome, demo_sim.Bench]:
    """One run over raw sockets in this process; a child of it tells its parent and is over."""
    plan, files = prepare(sequence, "demo", None, faults=tap.faults)
    tap.keys = {id(device): key for key, device in files.demo.devices.items()}
    tap.world, tap.devices = files.demo.world, files.demo.devices
    options = Options("B-1", "", tap.results)
    try:
        outcome = execute(plan, files, None, tap, options, Interrupts())
    except Exception as error:
        if tap.child is not None:
            said = ["refused before power"]
            if not isinstance(error, SeqrunError):
                said = [f"TRACEBACK {error!r}"]
            if energised(files.demo):
                said.append("LEFT ENERGISED")
            _leave(tap.child, said)
        raise
    if tap.child is not None:
        try:
            told = list(_said_of(outcome, tap, files.demo))
        except Exception as error:
            told = [f"HARNESS {error!r}"]
        _leave(tap.child, told)
    return outcome, files.demo


def _leave(child: tuple[int, str, int], said: list[str]) -> None:
    with os.fdopen(child[2], "wb") as file:
        file.write(pickle.dumps(said))
    os._exit(0)


def _said_of(outcome: Outcome, tap: Tap, bench: demo_sim.Bench) -> Iterator[str]:
    """What a run with a spoiled answer came to."""
    cut_short = tap.engine is not None and tap.engine.stopped_at == BACK_IN_STEP
    accepted = outcome.disposition is Disposition.ACCEPT
    if cut_short and tap.engine is not None:
        # The rest would have been the clean run: it stands or falls with what was read so far.
        bad = {Verdict.NOT_MEASURED, Verdict.FAIL, Verdict.CONDITIONAL_FAIL}
        accepted = not tap.engine.against and outcome.safe.complete
        accepted = accepted and not any(j.verdict in bad for j in outcome.judged)
    yield "accept" if accepted else "hold" if cut_short else str(outcome.disposition)
    if cut_short:
        yield BACK_IN_STEP
    if outcome.failure is not None and not isinstance(outcome.failure, SeqrunError):
        yield f"ERROR OF OURS {outcome.failure!r}"
    if rows_lost(outcome, Store(tap.results)):
        yield "ROWS LOST"
    if energised(bench):
        yield "LEFT ENERGISED"
    if accepted:
        for line in wrong(outcome.judged, tap.clean, tap):
            yield f"ACCEPT WITH A WRONG READING {line}"
    for line in passed(outcome.judged, tap.clean):
        yield f"PASS OF WHAT FAILS {line}"
    if outcome.disposition is Disposition.REJECT:
        yield f"rejected {outcome.reason}"
    if not outcome.safe.complete:
        yield f"safe state not confirmed: {'; '.join(outcome.safe.unconfirmed)}"
