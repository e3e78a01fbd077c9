"""A marker for each instrument: who is using it now, and whether the last run came to its end.

A power cut or a kill leaves a bench switched on with nobody to tell. So a run leaves a marker for
each of its instruments before it switches anything on, and takes it away when the safe state was
confirmed; the next run finds one that was left, also when its bench file was written anew and has
only the supply in common. A lock, which the system lets go of with the process, keeps two runs from
one instrument.

Markers stand in the user's own state folder, not among the results: the next run may have others.
"""

from __future__ import annotations

import hashlib
import os
import socket
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from seqrun.errors import UsageError
from seqrun.files.bench.file import Bench
from seqrun.files.command import command
from seqrun.record.plain import read_json, write_json


def state_folder() -> Path:
    """Where programs keep what outlives a run (XDG Base Directory; LOCALAPPDATA on Windows)."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    else:
        base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "seqrun"


class Marker:
    """The markers of the instruments of a bench, whatever its file is called.

    Args:
        bench: its file.
        folder: where markers stand.
    """

    def __init__(self, bench: Bench, folder: Path | None = None) -> None:
        self._name = bench.name
        self._folder = folder or state_folder()
        entries = bench.instrument.values()
        # What hands set has no address; a bench of such things alone goes by its name.
        what = {same_resource(found_at(entry.resource)) for entry in entries if not entry.by_hand}
        digests = [_digest(one) for one in sorted(what or {f"by hand: {bench.name}"})]
        self._paths = [self._folder / f"instrument-{digest}.json" for digest in digests]
        self._locks = [
            FileLock(path.with_suffix(".lock"), thread_local=False) for path in self._paths
        ]
        self._kept = False
        self.blind = ""  # why the bench could not be marked as in use

    def claim(self) -> Mapping[str, Any]:
        """Take the bench; what the last run of one of its instruments left when it did not end,
        else nothing.

        A state folder that cannot be written marks nothing, and keeps nobody from a run: what the
        last run of the bench left is then looked up in the record, and :attr:`blind` says why.

        Raises:
            UsageError: another run is using an instrument of the bench now.
        """
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            for lock in self._locks:
                lock.acquire(timeout=0)
        except Timeout as taken:
            self.let_go()
            raise UsageError(
                f"another run is using '{self._name}', or an instrument of it, now",
                expected="one run at a time on the same instruments",
                where=str(taken.lock_file),
                hint="wait for it, or end it; it leaves the bench in the safe state",
            ) from None
        except (OSError, NotImplementedError) as error:
            self.let_go()
            self.blind = str(error) or type(error).__name__
            return {}
        self._kept = True
        return next((left for path in self._paths if (left := _left(path))), {})

    def begin(self, run_id: str, results: Path) -> None:
        """From now on the bench counts as in use, until :meth:`end`."""
        if not self._kept:
            return
        entry = {
            "run_id": run_id,
            "bench": self._name,
            "results": str(results.resolve()),
            "began": datetime.now(UTC),
        }
        for path in self._paths:
            try:
                write_json(path, entry)
            except Exception as error:  # the run itself is safe without it
                self.blind = str(error).partition("\n")[0] or type(error).__name__

    def end(self, *, safe: bool) -> None:
        """The run is over; the markers stay when the safe state was not confirmed."""
        if self._kept and safe:
            for path in self._paths:
                with suppress(OSError):
                    path.unlink(missing_ok=True)
        self.let_go()

    def clear(self) -> None:
        """The bench is in its confirmed safe state: what a run left is over. Of a run that is
        going on nothing is taken."""
        with suppress(UsageError):
            self.claim()
            self.end(safe=True)

    def let_go(self) -> None:
        """The locks, and nothing else: what the system does for a process that dies."""
        for lock in self._locks:
            lock.release()
        self._kept = False


def found_at(resource: str) -> str:
    """A VISA resource with its host as an address and its serial port as the device itself:
    ``TCPIP0::localhost::…`` and ``TCPIP0::127.0.0.1::…``, ``ASRL/dev/serial/by-id/…::INSTR`` and
    ``ASRL/dev/ttyUSB0::INSTR`` are one instrument. What cannot be looked up stays as it is."""
    first, *rest = resource.strip().split("::")
    kind = first[:5].upper()
    if kind == "TCPIP" and rest:
        with suppress(OSError, UnicodeError):
            rest[0] = str(socket.getaddrinfo(rest[0], None, socket.AF_INET)[0][4][0])
    elif kind.startswith("ASRL") and "/" in first:
        first = first[:4] + os.path.realpath(first[4:])
    return "::".join([first, *rest])


def same_resource(resource: str) -> str:
    """A VISA resource in the one form that all its spellings come to: ``tcpip::h::5025::socket``
    is ``TCPIP0::H::5025::SOCKET``."""
    from pyvisa.rname import InvalidResourceName, to_canonical_name

    name = resource.strip().upper()
    try:
        return to_canonical_name(name)
    except InvalidResourceName:  # a sound interface, and what no library here knows
        return name


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def _left(path: Path) -> dict[str, Any]:
    if not path.is_file():
        return {}
    try:
        return read_json(path) or {"run_id": "unknown"}
    except Exception:  # torn by the same power cut: there was a run, that is enough
        return {"run_id": "unknown"}


@contextmanager
def unused(bench: Bench, path: str) -> Iterator[None]:
    """Meanwhile no run may use the bench; what is set on it goes into nothing that a run powers.

    Args:
        path: of its file.

    Raises:
        UsageError: a run is using one of its instruments, or did not end and may have left it on.
    """
    marker = Marker(bench)
    left = marker.claim()
    try:
        if left:
            raise UsageError(
                told(left),
                expected="a bench that is off",
                where=path,
                hint=f"'{command('safe', '--bench', path)}', then this again",
            )
        yield
    finally:
        marker.end(safe=not left)


class NoMarker(Marker):
    """For a bench that ends with the program that it is in."""

    def __init__(self) -> None:
        self._paths, self._locks, self._kept = [], [], False
        self.blind = ""

    def claim(self) -> Mapping[str, Any]:
        return {}


def told(left: Mapping[str, Any]) -> str:
    """What the next run says of a marker that was left."""
    run_id, began = left.get("run_id", "unknown"), left.get("began", "")
    since = f", begun {began}" if began else ""
    return f"a run did not end, or not in a confirmed safe state: {run_id}{since}"
