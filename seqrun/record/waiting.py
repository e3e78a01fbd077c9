"""Rows that wait beside the record while another program keeps it locked, and go in later.

A run that has power on cannot wait for a lock: what it read goes into its own folder, and into the
tables at its end or, when that fails too, at the start of the next run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from seqrun.record.errors import RecordError, from_os
from seqrun.record.table import Lock, Patience, Table

_PREFIX = "waiting-"


def put_beside(folder: Path, table: Table, row: Sequence[str]) -> Path:
    """Keep a row of ``table`` in the run's folder; when this returns it is on disk.

    Raises:
        RecordError: it cannot be written there either.
    """
    beside = Table(folder / (_PREFIX + table.path.name), table.columns, Lock(folder))
    beside.append([row])
    return beside.path


def take_in(folder: Path, table: Table, patience: Patience | None = None) -> int:
    """Put the rows that wait in a run's folder into ``table``; how many there were. Done again
    after it was broken off, it puts no row in twice.

    Raises:
        RecordLocked: the record is still locked; the rows go on waiting.
        RecordError: they cannot be read, or not be written.
    """
    path = folder / (_PREFIX + table.path.name)
    if not path.is_file():
        return 0
    with table.lock(patience), Lock(folder)():
        beside = Table(path, table.columns, Lock(folder))
        rows = [tuple(row) for _, row in beside.rows()]
        there: Counter[tuple[str, ...]] = Counter()
        for run_id in {row[0] for row in rows}:
            there.update(tuple(row) for _, row in table.rows(run_id))
        missing = []
        for row in rows:
            if there[row] > 0:
                there[row] -= 1
            else:
                missing.append(row)
        if missing:
            table.append(missing)
        try:
            path.unlink()
        except OSError as error:
            raise from_os(error, path, "taking in rows that waited") from error
    return len(rows)


def take_in_all(folders: Sequence[Path], tables: Sequence[Table]) -> None:
    """The same for every run's folder; one that cannot be read stays for somebody to look at."""
    for folder in folders:
        for table in tables:
            with suppress(RecordError):
                take_in(folder, table)
