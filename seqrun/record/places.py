"""Where a run's files go: run ids, safe names, and nothing outside the results folder."""

from __future__ import annotations

import re
import secrets
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

from seqrun.record.errors import RecordError, from_os

#: what a run's folder holds
FACTS = "run.json"
BUDGETS = "budgets.jsonl"
MESSAGES = "messages.log"
FILES = "files"
TRACES = "traces"

_UNSAFE = re.compile(r"[^A-Za-z0-9_.-]+|\.{2,}")
_RUN_ID = re.compile(r"\d{8}T\d{9}Z-[A-Za-z0-9_-]{1,32}-[0-9a-f]{6}")
_LONGEST_NAME = 80  # with the folders above it, well within what disks and archives take
#: names that stand for devices on some systems, with or without a suffix
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def new_run_id(serial: str, moment: datetime) -> str:
    """A run id: UTC time to the millisecond, serial number, six random digits.

    Ids sort by time; the random part keeps two benches apart that start in the same millisecond.
    """
    stamp = moment.astimezone(UTC).strftime("%Y%m%dT%H%M%S%f")[:-3]
    plain = unicodedata.normalize("NFKD", serial).encode("ascii", "ignore").decode()
    safe = re.sub(r"[^A-Za-z0-9_-]+", "_", plain).strip("_")[:32] or "unit"
    return f"{stamp}Z-{safe}-{secrets.token_hex(3)}"


def time_of(run_id: str) -> datetime:
    """When a run began, to the millisecond, as its id says.

    Raises:
        ValueError: it is no run id, or its date does not exist.
    """
    if not is_run_id(run_id):
        raise ValueError(f"{run_id!r} is not a run id")
    return datetime.fromisoformat(f"{run_id[:15]}.{run_id[15:18]}").replace(tzinfo=UTC)


def is_run_id(text: str) -> bool:
    return _RUN_ID.fullmatch(text) is not None


def run_folder(results: Path, run_id: str) -> Path:
    """The folder of a run.

    Raises:
        RecordError: it is no run id, so that it might lead outside the results folder.
    """
    if not is_run_id(run_id):
        shown = run_id if len(run_id) <= 60 else run_id[:57] + "..."
        raise RecordError(
            f"{shown!r} is not a run id",
            expected="an id such as 20260511T093000000Z-DEMO-001-5f2a9c",
            where=str(results),
            hint="'seqrun live' lists the runs, 'seqrun unit SERIAL' those of a unit",
        )
    return results / run_id


def safe_name(text: str) -> str:
    """A file name from any text: letters, digits, ``_ . -``; never hidden, never a path."""
    name = _UNSAFE.sub("_", text).lstrip(".")[:_LONGEST_NAME].rstrip(".") or "unnamed"
    return f"_{name}" if _DEVICES.fullmatch(name) else name


def held_in(folder: Path) -> list[Path]:
    """What a folder of the record holds, in order; nothing where there is no such folder.

    Raises:
        RecordError: it cannot be read.
    """
    try:
        return sorted(folder.iterdir()) if folder.is_dir() else []
    except OSError as error:
        raise from_os(error, folder, "reading a folder of the record") from error


def free_path(folder: Path, name: str, suffix: str = "") -> Path:
    """A path in ``folder`` that is not taken: ``name``, ``name-2``, ``name-3`` …

    Raises:
        RecordError: the folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise from_os(error, folder, "making a folder of the record") from error
    path, count = folder / f"{name}{suffix}", 1
    while path.exists():
        count += 1
        path = folder / f"{name}-{count}{suffix}"
    return path
