"""One spoiled answer at every message of a run: counts, by hand.

    python tests/benchmarks/bench_every_message.py --sequence quick
    python tests/benchmarks/bench_every_message.py --sequence acceptance --cases 300

The run goes over the simulated bench in this process, on raw sockets without a network, so that
time-outs cost no time. At a message it is forked: the child gets the answer spoiled in one of many
ways and goes on to its end, the parent goes on with the right one. What came before is run once,
and every message can be reached. What an answer too many does on a real socket is for
``bench_breaking.py links``: this library tells nobody of bytes that lie about unread.
"""

from __future__ import annotations

import argparse
import os
import pickle
import random
import re
import signal
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench_breaking import KINDS, Looking, energised, wrong
from pyvisa.constants import StatusCode

import demo_sim
import seqrun.record.table
from demo_sim.links.visa import SocketSession
from seqrun.errors import SeqrunError
from seqrun.record import Store
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition

HANG_S = 120  # wall time of one child


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
class Tap:
    """Between the run and its instruments."""

    results: Path
    todo: dict[int, list[str]] = field(default_factory=dict)  # message -> kinds to try at it
    watcher: Looking = field(default_factory=Looking)
    keys: dict[int, str] = field(default_factory=dict)  # device -> key
    seen: list[Exchange] = field(default_factory=list)
    told: list[tuple[int, str, list[str]]] = field(default_factory=list)
    child: tuple[int, str, int] | None = None  # message, kind, pipe
    cut: set[int] = field(default_factory=set)

    def answer(self, device: object, asked: bytes, right: bytes) -> bytes | None:
        """What the run gets in place of the right answer; None: the link is cut."""
        key = self.keys.get(id(device), "control")
        if key == "control" or self.child is not None:
            return right
        number = len(self.seen)
        self.seen.append(Exchange(key, self.watcher.step, asked.decode("latin-1").strip()))
        for kind in self.todo.get(number, ()):
            before = {p: p.read_bytes() for p in self.results.rglob("*") if p.is_file()}
            places = places_in(self.results)
            reader, writer = os.pipe()
            pid = os.fork()
            if pid == 0:
                os.close(reader)
                self.child = number, kind, writer
                return KINDS[kind](right)
            os.close(writer)
            said = heard(pid, reader)
            self.told.append((number, kind, said))
            for line in said:
                if line.isupper() or line[:4].isupper():
                    print(f"{line}: {kind}, message {number} {self.seen[number]}", flush=True)
            put_back(self.results, before)
            for number_of_file, place in places.items():
                os.lseek(number_of_file, place, os.SEEK_SET)
        return right


def heard(pid: int, reader: int) -> list[str]:
    """What a child says of its run."""
    signal.signal(signal.SIGALRM, lambda *_: os.kill(pid, signal.SIGKILL))
    signal.alarm(HANG_S)
    with os.fdopen(reader, "rb") as file:
        said = file.read()
    os.waitpid(pid, 0)
    signal.alarm(0)
    return list(pickle.loads(said)) if said else ["HANG OR DEATH"]


def places_in(folder: Path) -> dict[int, int]:
    """Where the open files of a folder are written next: a child moves that for its parent."""
    found = {}
    for link in Path("/proc/self/fd").iterdir():
        with suppress(OSError):
            if link.readlink().is_relative_to(folder):
                found[int(link.name)] = os.lseek(int(link.name), 0, os.SEEK_CUR)
    return found


def put_back(folder: Path, before: dict[Path, bytes]) -> None:
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


class NoLock:
    """In place of the record's lock, which a forked process may not use: one of them runs at a
    time."""

    def __init__(self, *_: object, **__: object) -> None:
        pass

    def acquire(self, **_: object) -> None:
        pass

    def release(self) -> None:
        pass


def put_in(tap: Tap) -> None:
    """The tap into the library's raw sockets, and the demo bench onto those."""
    seqrun.record.table.FileLock = NoLock  # type: ignore[assignment,misc]
    plain = SocketSession.read
    asked: dict[int, bytes] = defaultdict(bytes)

    def write(self: Any, data: bytes) -> None:
        asked[id(self)] = data
        for response in self._stream.feed(data):
            right = b"".join(bytes(piece) for piece in response)
            given = tap.answer(self.device, data, right) if right else b""
            if given is None:
                tap.cut.add(id(self))
            else:
                self._received.append(given)

    def read(self: Any, count: int) -> tuple[bytes, StatusCode]:
        if id(self) in tap.cut:
            raise OSError("the connection is cut")
        return plain(self, count)

    def resources(self: demo_sim.Bench) -> dict[str, str]:
        return {key: f"TCPIP0::{key}.demo::5025::SOCKET" for key in self.devices}

    SocketSession.write = write  # type: ignore[method-assign]
    SocketSession.read = read  # type: ignore[method-assign]
    demo_sim.Bench.resources = property(resources)  # type: ignore[assignment,method-assign]


def once(sequence: str, tap: Tap) -> tuple[Outcome, demo_sim.Bench]:
    """One run over raw sockets in this process."""
    plan, files = prepare(sequence, "demo", None)
    tap.keys = {id(device): key for key, device in files.demo.devices.items()}
    tap.watcher.world = files.demo.world
    options = Options("B-1", "", tap.results)
    try:
        outcome = execute(plan, files, None, tap.watcher, options, Interrupts())
    except Exception as error:
        if tap.child is not None:
            said = (
                ["refused before power"]
                if isinstance(error, SeqrunError)
                else [f"TRACEBACK {error!r}"]
            )
            if energised(files.demo):
                said.append("LEFT ENERGISED")
            leave(tap.child, said)
        raise
    return outcome, files.demo


def leave(child: tuple[int, str, int], said: list[str]) -> None:
    with os.fdopen(child[2], "wb") as file:
        file.write(pickle.dumps(said))
    os._exit(0)


def said_of(outcome: Outcome, clean: Outcome, tap: Tap, bench: demo_sim.Bench) -> Iterator[str]:
    """What a run with a spoiled answer came to."""
    yield str(outcome.disposition)
    if outcome.failure is not None and not isinstance(outcome.failure, SeqrunError):
        yield f"ERROR OF OURS {outcome.failure!r}"
    if len(list(Store(tap.results).readings(outcome.run_id))) != len(outcome.judged):
        yield "ROWS LOST"
    if energised(bench):
        yield "LEFT ENERGISED"
    if outcome.disposition is Disposition.ACCEPT:
        for line in wrong(outcome, clean, tap.watcher):
            yield f"ACCEPT WITH A WRONG READING {line}"
    if outcome.disposition is Disposition.REJECT:
        yield f"REJECTED {outcome.reason}"
    if not outcome.safe.complete:
        yield f"safe state not confirmed: {'; '.join(outcome.safe.unconfirmed)}"


def chosen(seen: list[Exchange], cases: int, draw: random.Random) -> dict[int, list[str]]:
    """Which message gets which kinds: ``cases`` of them, unlike messages first; 0: each once."""
    like: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for number, one in enumerate(seen):
        like[one.like].append(number)
    for numbers in like.values():
        draw.shuffle(numbers)
    order = [
        n
        for turn in range(max(map(len, like.values())))
        for ns in like.values()
        for n in ns[turn : turn + 1]
    ]
    kinds = list(KINDS)
    draw.shuffle(kinds)
    todo: dict[int, list[str]] = defaultdict(list)
    for turn, number in enumerate(order[: cases or len(order)]):
        todo[number].append(kinds[turn % len(kinds)])
    print(
        f"{len(seen)} answered messages, {len(like)} unlike; {sum(map(len, todo.values()))} cases"
    )
    return todo


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sequence", default="quick")
    parser.add_argument("--cases", type=int, default=0, help="0: every message once")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", default="0/1", help="2/5: the third fifth of the cases")
    given = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        first = Tap(Path(name) / "clean")
        put_in(first)
        clean, _ = once(given.sequence, first)
        todo = chosen(first.seen, given.cases, random.Random(given.seed))
        part, of = map(int, given.part.split("/"))
        mine = sorted(todo)[part::of]
        tap = Tap(Path(name) / "tapped", {number: todo[number] for number in mine})
        put_in(tap)
        outcome, bench = once(given.sequence, tap)
        if tap.child is not None:
            try:
                said = list(said_of(outcome, clean, tap, bench))
            except Exception as error:
                said = [f"HARNESS {error!r}"]
            leave(tap.child, said)
        print(f"clean: {clean.disposition}, and again: {outcome.disposition}, {outcome.reason}")
    count, kinds = Counter[str](), Counter[str]()
    for _, kind, said in tap.told:
        kinds[kind] += 1
        count.update(re.sub(r"[:\d'\"(].*", "", line).strip() for line in said)
    print(f"{len(tap.told)} cases of {len(kinds)} kinds in {time.monotonic() - begun:.0f} s")
    for word, times in sorted(count.items()):
        print(f"{times:5}  {word}")


if __name__ == "__main__":
    main()
