"""What a run has written, and whether that is still what is on disk.

While a run goes on it counts its rows and takes the SHA-256 of each row and file as it writes them.
At its end it compares them with the disk and keeps them in ``run.json``, so that whoever reads the
record later can compare again. Rows are compared by their cells and in any order: a merge, or a
spreadsheet that saved the table again, takes nothing away.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from seqrun.record.errors import RecordError, from_os
from seqrun.record.places import FACTS
from seqrun.record.plain import opened, read_json
from seqrun.record.table import Table, encode

SEAL = "record"  # its table in run.json
#: of a record that has nothing to be compared with: it may be whole, and nobody can say so
NOT_COUNTED = (
    f"{FACTS} holds no count of what the run wrote, as of runs made before rows were counted; "
    "whether all of it is there cannot be known: only a new run can be shown to be whole"
)


@dataclass
class Seal:
    """Rows and files of one run. ``files`` holds SHA-256 by path within the run's folder;
    ``begin`` is how long ``readings.csv`` was before the run, bytes."""

    begin: int
    rows: list[tuple[str, ...]] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)

    def row(self, cells: Sequence[str]) -> None:
        """A row of ``readings.csv`` that was written."""
        self.rows.append(_as_written(cells))

    def file(self, folder: Path, path: Path) -> None:
        """A file that was written whole.

        Raises:
            RecordError: it cannot be read back.
        """
        self.files[path.relative_to(folder).as_posix()] = file_digest(path)

    def plain(self) -> dict[str, Any]:
        """As ``run.json`` keeps it."""
        return {
            "rows": len(self.rows),
            "rows_begin": self.begin,
            "rows_sha256": rows_digest(self.rows),
            "files": dict(sorted(self.files.items())),
        }

    def missing(self, readings: Table, run_id: str) -> list[tuple[str, ...]]:
        """Rows that were written and are not in the table any more."""
        gone: Counter[tuple[str, ...]] = Counter()
        for begin in (self.begin, 0):  # a table that was put in order by hand: anywhere in it
            there = Counter(_as_written(row) for _, row in readings.rows(run_id, begin=begin))
            gone = Counter(self.rows) - there
            if not gone:
                break
        return list(gone.elements())


def begin_of_run(folder: Path) -> int:
    """How long ``readings.csv`` was before a run, by ``run.json`` in the run's folder: bytes, 0
    where nothing tells. True of the table that the run was written to, and as long as nobody has
    put that in another order."""
    return _begin_and_count(folder)[0]


def sealed_rows(table: Table, folder: Path, run_id: str) -> list[tuple[int, list[str]]] | None:
    """The rows of a run by the place that ``run.json`` keeps, without reading what stands before
    the run or behind it; None where they are not there as the run wrote them. The line numbers
    mean nothing.

    Args:
        table: ``readings.csv``.
        folder: the run's.
    """
    begin, count, digest = _begin_and_count(folder)
    if begin <= 0:
        return None
    try:
        rows = list(islice(table.rows(run_id, begin=begin), count))
    except RecordError:
        return None  # whoever reads the whole table tells it better
    return rows if rows_digest(row for _, row in rows) == digest else None


def _begin_and_count(folder: Path) -> tuple[int, int, str]:
    try:
        seal = read_json(folder / FACTS).get(SEAL)
    except RecordError:
        return 0, 0, ""
    if not isinstance(seal, dict):
        return 0, 0, ""
    begin, count = seal.get("rows_begin"), seal.get("rows")
    if type(begin) is not int or type(count) is not int or begin < 0 or count < 0:
        return 0, 0, ""
    return begin, count, str(seal.get("rows_sha256"))


def _as_written(row: Sequence[str]) -> tuple[str, ...]:
    """A row as we write it: spreadsheets save our true and false in capitals."""
    return tuple(cell.lower() if cell in ("TRUE", "FALSE") else cell for cell in row)


def rows_digest(rows: Iterable[Sequence[str]]) -> str:
    """SHA-256 over the sorted digests of the rows: the same in whichever order they stand."""
    each = sorted(hashlib.sha256(encode([_as_written(row)])).hexdigest() for row in rows)
    return hashlib.sha256("\n".join(each).encode()).hexdigest()


def file_digest(path: Path) -> str:
    """SHA-256 of a file.

    Raises:
        RecordError: it cannot be read.
    """
    try:
        with opened(path) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise from_os(error, path, "reading the record") from error


def lost_files(folder: Path, files: Mapping[str, Any]) -> list[str]:
    """What is wrong with the files of a run, one line each."""
    found = []
    for name, digest in files.items():
        try:
            same = file_digest(folder / name) == digest
        except RecordError:
            found.append(f"{name} is gone")
            continue
        if not same:
            found.append(f"{name} is not as the run wrote it")
    return found


def lost_of_run(folder: Path, rows: Sequence[Sequence[str]], disposition: str) -> tuple[str, ...]:
    """What a run on record has lost, one line each; nothing when it is whole.

    Args:
        folder: the run's.
        rows: its rows in ``readings.csv`` as they are now.
        disposition: as ``runs.csv`` has it; "" for a run without an end.
    """
    if not disposition:
        return ("the run has no end on record",)
    try:
        facts = read_json(folder / FACTS)
    except RecordError as error:
        return (f"{FACTS} cannot be read: {error.found}",)
    seal = facts.get(SEAL)
    if not isinstance(seal, dict):
        return (NOT_COUNTED,)
    found = []
    wanted = seal.get("rows")
    if wanted != len(rows):
        found.append(f"readings.csv has {len(rows)} rows of this run, and it wrote {wanted}")
    elif seal.get("rows_sha256") != rows_digest(rows):
        found.append("rows of this run in readings.csv are not as it wrote them")
    end = facts.get("run")
    kept = end.get("disposition") if isinstance(end, dict) else None
    if kept != disposition:
        found.append(f"runs.csv says {disposition}, and {FACTS} says {kept}")
    files = seal.get("files")
    found += lost_files(folder, files if isinstance(files, dict) else {})
    return tuple(found)
