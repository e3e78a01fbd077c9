"""A marker for each bench: who is using it now, and whether the last run came to its end.

A power cut or a kill leaves a bench switched on with nobody to tell. So a run leaves a marker
before it switches anything on, and takes it away when the safe state was confirmed; the next run of
the bench finds one that was left. A lock, which the system lets go of with the process, keeps two
runs from one bench.

Markers stand in the user's own state folder, not among the results: the next run may have others.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from seqrun.errors import UsageError
from seqrun.files.bench.file import Bench
from seqrun.record.plain import read_json, write_json


def state_folder() -> Path:
    """Where programs keep what outlives a run (XDG Base Directory; LOCALAPPDATA on Windows)."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    else:
        base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "seqrun"


class Marker:
    """The marker of the bench whose instruments these are, whatever its file is called.

    Args:
        bench: its file.
        folder: where markers stand.
    """

    def __init__(self, bench: Bench, folder: Path | None = None) -> None:
        resources = sorted(entry.resource.upper() for entry in bench.instrument.values())
        digest = hashlib.sha256(json.dumps(resources).encode()).hexdigest()[:24]
        self._name = bench.name
        self._folder = folder or state_folder()
        self._path = self._folder / f"bench-{digest}.json"
        self._lock = FileLock(self._path.with_suffix(".lock"), thread_local=False)
        self._kept = False
        self.blind = ""  # why the bench could not be marked as in use

    def claim(self) -> Mapping[str, Any]:
        """Take the bench; what the last run left when it did not end, else nothing.

        A state folder that cannot be written marks nothing, and keeps nobody from a run: what the
        last run of the bench left is then looked up in the record, and :attr:`blind` says why.

        Raises:
            UsageError: another run is using the bench now.
        """
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._lock.acquire(timeout=0)
        except Timeout:
            raise UsageError(
                f"another run is using '{self._name}' now",
                expected="one run at a time on the same instruments",
                where=str(self._path),
                hint="wait for it, or end it; it leaves the bench in the safe state",
            ) from None
        except (OSError, NotImplementedError) as error:
            self.blind = str(error) or type(error).__name__
            return {}
        self._kept = True
        return self._left()

    def _left(self) -> dict[str, Any]:
        if not self._path.is_file():
            return {}
        try:
            return read_json(self._path) or {"run_id": "unknown"}
        except Exception:  # torn by the same power cut: there was a run, that is enough
            return {"run_id": "unknown"}

    def begin(self, run_id: str, results: Path) -> None:
        """From now on the bench counts as in use, until :meth:`end`."""
        if self._kept:
            entry = {
                "run_id": run_id,
                "bench": self._name,
                "results": str(results.resolve()),
                "began": datetime.now(UTC),
            }
            try:
                write_json(self._path, entry)
            except Exception as error:  # the run itself is safe without it
                self.blind = str(error).partition("\n")[0] or type(error).__name__

    def end(self, *, safe: bool) -> None:
        """The run is over; the marker stays when the safe state was not confirmed."""
        if self._kept:
            if safe:
                with suppress(OSError):
                    self._path.unlink(missing_ok=True)
            self._lock.release()
            self._kept = False


class NoMarker(Marker):
    """For a bench that ends with the program that it is in."""

    def __init__(self) -> None:
        self._kept = False
        self.blind = ""

    def claim(self) -> Mapping[str, Any]:
        return {}


def told(left: Mapping[str, Any]) -> str:
    """What the next run says of a marker that was left."""
    run_id, began = left.get("run_id", "unknown"), left.get("began", "")
    since = f", begun {began}" if began else ""
    return f"a run did not end, or not in a confirmed safe state: {run_id}{since}"
