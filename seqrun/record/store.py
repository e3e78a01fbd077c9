"""The results folder: starting a run, and reading back what all runs left.

::

    results/readings.csv     one row per reading, appended and synced as it happens
    results/runs.csv         a row when a run starts and one when it ends
    results/<run id>/        run.json, budgets.jsonl, messages.log, files/, traces/, the report
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.files.serial import check_serial
from seqrun.record.cells import from_text
from seqrun.record.errors import RecordError, from_os
from seqrun.record.places import held_in, is_run_id, new_run_id, run_folder
from seqrun.record.rows import (
    READING_COLUMNS,
    RUN_COLUMNS,
    RunInfo,
    RunRow,
    judged_of,
    run_cells,
)
from seqrun.record.run import RunRecord
from seqrun.record.seal import begin_of_run, lost_of_run, sealed_rows
from seqrun.record.table import Lock, Patience, Table
from seqrun.record.waiting import take_in_all
from seqrun.values import Judged

if TYPE_CHECKING:
    import pandas as pd

LEAST_FREE_BYTES = 20_000_000  # waveforms and the message log of one run, with room to spare
_TRIES = 20


def _of_unit(serial: str | None) -> Callable[[Sequence[str]], bool]:
    """Whether a row of ``runs.csv`` is of a unit; of any, for None."""
    column = RUN_COLUMNS.index("serial")
    return lambda row: serial is None or from_text(row[column]) == serial


class Store:
    """One results folder. Nothing is made or written before :meth:`start`."""

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder)
        self.lock = Lock(self.folder)
        self.readings_table = Table(self.folder / "readings.csv", READING_COLUMNS, self.lock)
        self.runs_table = Table(self.folder / "runs.csv", RUN_COLUMNS, self.lock)

    def start(
        self, info: RunInfo, time: datetime | None = None, patience: Patience | None = None
    ) -> RunRecord:
        """Begin a run: its id, its folder, its first row in ``runs.csv``.

        Args:
            patience: how long to wait for another program that has the record locked.

        Raises:
            UsageError: the serial number cannot go on record.
            RecordError: the results folder cannot be written.
        """
        check_serial(info.serial)
        started = time or datetime.now(UTC)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise from_os(error, self.folder, "making the results folder") from error
        self._check_room()
        # a torn line, other columns or a disk that takes nothing show now, not when power is on
        begin = self.readings_table.append([], patience)
        take_in_all(self.folders(), (self.readings_table, self.runs_table))
        run_id = self._claim(info.serial, started)
        folder = self.folder / run_id
        try:
            record = RunRecord(
                run_id, folder, info, started, self.readings_table, self.runs_table, begin
            )
            self.runs_table.append([run_cells(run_id, info, started)], patience)
        except RecordError:
            shutil.rmtree(folder, ignore_errors=True)  # made a moment ago, and holds nothing yet
            raise
        return record

    def _check_room(self) -> None:
        try:
            free = shutil.disk_usage(self.folder).free
        except OSError as error:
            raise from_os(error, self.folder, "looking at the results folder") from error
        if free < LEAST_FREE_BYTES:
            raise RecordError(
                f"the disk has {free / 1e6:.0f} MB left",
                expected=f"at least {LEAST_FREE_BYTES / 1e6:.0f} MB for a run",
                where=str(self.folder),
                hint="free some space, or choose another --results folder",
            )

    def _claim(self, serial: str, moment: datetime) -> str:
        for _ in range(_TRIES):
            run_id = new_run_id(serial, moment)
            folder = run_folder(self.folder, run_id)
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            except OSError as error:
                raise from_os(error, folder, "making the run's folder") from error
            return run_id
        raise RecordError("no free run id could be found", where=str(self.folder))

    def readings(self, run_id: str | None = None) -> Iterator[Judged]:
        """Readings in the order they were written, of one run or of all.

        Raises:
            RecordError: the table cannot be read or a row does not hold what it should.
        """
        table = self.readings_table
        rows = run_id and sealed_rows(table, run_folder(self.folder, run_id), run_id)
        return table.taken_apart(judged_of, rows) if rows else table.parsed(judged_of, run_id)

    def runs(self, serial: str | None = None) -> list[RunRow]:
        """All runs, oldest first; one without an end is aborted, "not finished".

        Args:
            serial: of this unit alone; the rows of others are passed over, not taken apart.

        Raises:
            RecordError: the table cannot be read or a row does not hold what it should.
        """
        rows = self.runs_table.parsed(RunRow.parse, only=_of_unit(serial))
        found: dict[str, RunRow] = {}
        for row in rows:
            before = found.get(row.run_id)
            if before is None or row.finished or not before.finished:
                found[row.run_id] = row
        return sorted(found.values(), key=lambda row: (row.started_utc, row.run_id))

    def serials(self) -> set[str]:
        """Every unit with a run; no row is taken apart for it.

        Raises:
            RecordError: the table cannot be read.
        """
        column = RUN_COLUMNS.index("serial")
        return {from_text(row[column]) for _, row in self.runs_table.rows()}

    def run(self, name: str) -> RunRow:
        """One run, by its id, by a part of it that only one id has, or "last".

        Raises:
            RecordError: no run is so named, or several are.
        """
        started = {row[0]: row[1] for _, row in self.runs_table.rows()}
        runs = sorted(started, key=lambda run_id: (started[run_id], run_id))
        if not runs:
            raise RecordError(
                "no run is on record here",
                where=str(self.folder),
                hint="seqrun run makes one; --results names another folder",
            )
        exact = [one for one in runs if one == name]
        found = exact or [one for one in runs if name and name in one]
        if name == "last":
            found = runs[-1:]
        if len(found) == 1:
            rows = list(self.runs_table.parsed(RunRow.parse, found[0]))
            return next((row for row in reversed(rows) if row.finished), rows[-1])
        recent = ", ".join((found or runs)[-3:])
        raise RecordError(
            f"{'several runs are' if found else 'no run is'} named {name!r}",
            expected=f"a run id, a part that only one has, or 'last'; the latest: {recent}",
            where=str(self.folder),
        )

    def readings_frame(
        self,
        columns: Sequence[str] = READING_COLUMNS,
        *,
        categories: bool = False,
        rows: Sequence[Sequence[str]] | None = None,
    ) -> pd.DataFrame:
        """``readings.csv`` as a pandas frame; see :func:`seqrun.record.frames.readings_frame`."""
        from seqrun.record.frames import readings_frame

        return readings_frame(self.readings_table, columns, categories=categories, rows=rows)

    def runs_frame(self) -> pd.DataFrame:
        """Runs as a pandas frame, start and end of each in one row."""
        from seqrun.record.frames import runs_frame

        return runs_frame(self.runs())

    def verify(self, run_id: str | None = None) -> dict[str, tuple[str, ...]]:
        """What runs on record have lost since they were made, by run id; nothing for a whole one.

        Args:
            run_id: one run, looked for from where it began on; None: all, in one pass over
                ``readings.csv``.

        Raises:
            RecordError: a table cannot be read, or there is no such run.
        """
        if run_id is not None:
            run = self.run(run_id)
            return {run.run_id: self.lost(run)}
        runs = self.runs()
        rows: dict[str, list[list[str]]] = {run.run_id: [] for run in runs}
        for _, row in self.readings_table.rows():
            if row[0] in rows:
                rows[row[0]].append(row)
        return {run.run_id: self._lost(run, rows[run.run_id]) for run in runs}

    def lost(self, run: RunRow) -> tuple[str, ...]:
        """What one run on record has lost since it was made; nothing for a whole one.

        Raises:
            RecordError: the table cannot be read.
        """
        lost: tuple[str, ...] = ()
        begin = begin_of_run(run_folder(self.folder, run.run_id))
        for start in dict.fromkeys((begin, 0)):
            rows = [row for _, row in self.readings_table.rows(run.run_id, begin=start)]
            lost = self._lost(run, rows)
            if not lost:
                break
        return lost

    def _lost(self, run: RunRow, rows: Sequence[Sequence[str]]) -> tuple[str, ...]:
        folder = run_folder(self.folder, run.run_id)
        return lost_of_run(folder, rows, run.disposition.value if run.finished else "")

    def sealed(self, runs: Sequence[RunRow]) -> tuple[list[list[str]], dict[str, tuple[str, ...]]]:
        """The rows of some runs, each read where its folder says that it began, and what the runs
        have lost. Of a run that is not there as it was written, the rows that there are.

        Raises:
            RecordError: a table cannot be read.
        """
        found: list[list[str]] = []
        lost: dict[str, tuple[str, ...]] = {}
        elsewhere: dict[str, list[list[str]]] = {}
        for run in runs:
            folder = run_folder(self.folder, run.run_id)
            rows = sealed_rows(self.readings_table, folder, run.run_id)
            if rows is None:
                elsewhere[run.run_id] = []
                continue
            found += (row for _, row in rows)
            lost[run.run_id] = self._lost(run, [row for _, row in rows])
        if elsewhere:
            for _, row in self.readings_table.rows():
                if row[0] in elsewhere:
                    elsewhere[row[0]].append(row)
        for run in runs:
            if run.run_id in elsewhere:
                found += elsewhere[run.run_id]
                lost[run.run_id] = self._lost(run, elsewhere[run.run_id])
        return found, lost

    def folders(self) -> list[Path]:
        """The runs' folders that are there, oldest first."""
        return [p for p in held_in(self.folder) if is_run_id(p.name) and p.is_dir()]
