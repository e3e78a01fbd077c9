"""What a run writes while it goes on."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from threading import RLock
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from seqrun.errors import Interrupted, SeqrunError, Tripped
from seqrun.record.errors import RecordError, RecordLocked, from_os
from seqrun.record.messages import MessageFile
from seqrun.record.places import BUDGETS, FACTS, FILES, MESSAGES, TRACES, free_path, safe_name
from seqrun.record.plain import budget_line, merged, plain, write_json
from seqrun.record.rows import RunInfo, reading_cells, run_cells
from seqrun.record.seal import SEAL, Seal, lost_files
from seqrun.record.sounds import write_sound
from seqrun.record.table import Patience, Table, nothing
from seqrun.record.traces import open_text, write_trace
from seqrun.record.waiting import put_beside, take_in
from seqrun.values import Disposition, Judged

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: waiting for a locked record when the unit has been made safe and nobody waits for anything
AT_THE_END_S = 10.0


class RunRecord:
    """The record of one run, open until :meth:`finish`. Made by ``Store.start``.

    Used as a context manager it ends itself as aborted when nobody did.
    """

    def __init__(
        self,
        run_id: str,
        folder: Path,
        info: RunInfo,
        started: datetime,
        readings: Table,
        runs: Table,
        begin: int,
    ) -> None:
        self.run_id = run_id
        self.folder = folder
        self.info = info
        self.started = started
        self.finished = False
        self._readings, self._runs = readings, runs
        self._count = 0
        self._guard = RLock()
        self._log: MessageFile | None = None
        self._facts: dict[str, Any] = {}
        self._seal = Seal(begin)
        self._budgets_hash = hashlib.sha256()
        try:
            self._budgets = open_text(folder / BUDGETS)
        except OSError as error:
            raise from_os(error, folder, "opening the run's record") from error
        self.facts({"run": {"run_id": run_id, "started": started, **plain(info)}})

    def reading(
        self,
        judged: Judged,
        simulated: bool | None = None,
        time: datetime | None = None,
        patience: Patience | None = None,
    ) -> None:
        """Put one reading on record: when this returns, a power cut cannot take it away.

        Args:
            judged: the reading with its limit and verdict.
            simulated: whether it came from a simulated bench; None: what the run says of itself.
            time: when it was made, with a time zone; None: now.
            patience: how long to wait for another program that has the record locked.

        Raises:
            RecordLocked: it did not let go; the reading waits in the run's folder, and goes into
                the table at the end of the run or at the start of the next.
            RecordError: it could not be written, or the run is finished.
        """
        with self._guard:
            self._open()
            sim = self.info.simulated if simulated is None else simulated
            when = time or datetime.now(UTC)
            row = reading_cells(self.run_id, self.info, judged, sim, when)
            locked = self._append(self._readings, row, patience)
            self._seal.row(row)
            reading = judged.reading
            line = budget_line(self._count, judged.step, reading.quantity, reading.budget)
            self._count += 1
            self._budgets_hash.update(f"{line}\n".encode())
            try:
                self._budgets.write(line + "\n")
                self._budgets.flush()
            except OSError as error:
                raise from_os(error, self.folder / BUDGETS, "writing a budget") from error
            if self._log is not None:
                self._log.flush()
                self._raise_log()
            if locked is not None:
                raise locked

    def _append(
        self, table: Table, row: list[str], patience: Patience | None
    ) -> SeqrunError | None:
        """Add a row to its table. Where another program keeps that locked, or something ends the
        run meanwhile, the row is kept beside it, and what happened is returned."""
        try:
            table.append([row], patience)
        except (RecordLocked, Tripped, Interrupted) as ending:
            put_beside(self.folder, table, row)
            return ending
        return None

    def finish(self, disposition: Disposition, reason: str, time: datetime | None = None) -> None:
        """End the run: flush and close everything, then its last row in ``runs.csv``.

        What is on disk is compared with what was written: where rows, budgets, messages or files
        are not whole, an accept lacks its grounds, and the row says hold, and why, before the
        error is raised.

        Raises:
            RecordError: something could not be written (the last row is tried in any case), or the
                run is finished already.
        """
        with self._guard:
            self._open()
            ended = time or datetime.now(UTC)
            self.finished = True
            patience = Patience(AT_THE_END_S, nothing)
            trouble = self._close()
            lost = self._lost(patience)
            if trouble is not None:
                lost.insert(0, trouble.found)
            if lost:
                reason = f"{reason}; record incomplete: {'; '.join(lost)}"
                if disposition is Disposition.ACCEPT:
                    disposition = Disposition.HOLD
            with suppress(OSError):  # told when the facts are written
                self.folder.mkdir()  # even when somebody removed it
            row = run_cells(self.run_id, self.info, self.started, ended, disposition, reason)
            locked = self._append(self._runs, row, patience)
            end = {"ended": ended, "disposition": disposition.value, "reason": reason}
            self._write_facts({"run": end, SEAL: self._seal.plain()})
            if lost or locked is not None:
                raise trouble or locked or RecordError("; ".join(lost), where=str(self.folder))

    def _lost(self, patience: Patience) -> list[str]:
        """Compare the disk with what was written; rows that are gone are put back, and told."""
        files = self._seal.files
        files[BUDGETS] = self._budgets_hash.hexdigest()
        if self._log is not None:
            files[MESSAGES] = self._log.digest
        try:
            take_in(self.folder, self._readings, patience)
            found = lost_files(self.folder, files)
            gone = self._seal.missing(self._readings, self.run_id)
            if gone:
                self._readings.append(gone, patience)
                found.append(f"{len(gone)} rows were gone from {self._readings.path.name}")
            if not any(True for _ in self._runs.rows(self.run_id)):
                found.append(f"the start of the run was gone from {self._runs.path.name}")
        except RecordError as error:
            return [error.found]
        return found

    def facts(self, facts: Mapping[str, object]) -> None:
        """Put facts into ``run.json``: equipment, conditions, decision rule, plan.

        Tables within tables are joined with what is there; all else is replaced. Takes
        dataclasses, pydantic models, enums, times, arrays, measured numbers.

        Raises:
            RecordError: it could not be written.
        """
        with self._guard:
            self._write_facts(facts)

    def _write_facts(self, facts: Mapping[str, object]) -> None:
        self._facts = merged(self._facts, plain(facts))
        write_json(self.folder / FACTS, self._facts)

    def keep(self, path: Path | str) -> Path:
        """Copy a file that was used into the run's folder.

        Returns:
            the copy.

        Raises:
            RecordError: it cannot be read, or the copy cannot be written.
        """
        source = Path(path)
        target = self._free_file(source.name)
        try:
            shutil.copyfile(source, target)
        except OSError as error:
            raise from_os(error, source, "keeping a copy") from error
        self._seal.file(self.folder, target)
        return target

    def keep_text(self, name: str, text: str) -> Path:
        """Keep a text that came from no file, under ``name``.

        Raises:
            RecordError: it cannot be written.
        """
        target = self._free_file(name)
        try:
            target.write_text(text, encoding="utf-8", newline="")
        except OSError as error:
            raise from_os(error, target, "keeping a text") from error
        self._seal.file(self.folder, target)
        return target

    def _free_file(self, name: str) -> Path:
        safe = Path(safe_name(name))
        return free_path(self.folder / FILES, safe.stem, safe.suffix)

    def trace(self, name: str, columns: Mapping[str, Iterable[float]]) -> Path:
        """Keep a whole trace (CSV). Column names end in their unit: ``time_s``, ``sink_k``.

        Raises:
            UsageError: columns of different lengths.
            RecordError: it cannot be written.
        """
        path = free_path(self.folder / TRACES, safe_name(name), ".csv")
        write_trace(path, columns)
        self._seal.file(self.folder, path)
        return path

    def sound(
        self, name: str, volts: NDArray[np.float64], rate_hz: float, full_scale_v: float
    ) -> Path:
        """Keep what was heard as a WAV file beside the traces; see :mod:`seqrun.record.sounds`.

        Raises:
            RecordError: it cannot be written.
        """
        path = free_path(self.folder / TRACES, safe_name(name), ".wav")
        write_sound(path, volts, rate_hz, full_scale_v)
        self._seal.file(self.folder, path)
        self._write_facts({"sounds": {path.stem: {"full_scale_v": full_scale_v}}})
        return path

    def message_log(self) -> MessageFile:
        """The log of the messages; one for the run, however often it is asked for.

        Raises:
            RecordError: it cannot be opened.
        """
        if self._log is None:
            self._log = MessageFile(self.folder / MESSAGES)
        return self._log

    def flush(self) -> None:
        """Hand everything that is buffered to the system; never raises for the message log."""
        if self._log is not None:
            self._log.flush()

    def _close(self) -> RecordError | None:
        """Close what is open; the first thing that went wrong."""
        trouble: RecordError | None = None
        try:
            self._budgets.close()
        except OSError as error:
            trouble = from_os(error, self.folder / BUDGETS, "writing a budget")
        if self._log is not None:
            self._log.close()
            try:
                self._raise_log()
            except RecordError as error:
                trouble = trouble or error
        return trouble

    def _raise_log(self) -> None:
        log = self._log
        if log is not None and log.failure is not None:
            raise from_os(log.failure, log.path, "writing the message log") from log.failure

    def _open(self) -> None:
        if self.finished:
            raise RecordError("the run is finished; nothing can be added", where=self.run_id)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.finished:
            return
        text = "the run was left unfinished"
        if error is not None:
            text = str(error).strip() or type(error).__name__
        self.finish(Disposition.ABORTED, text.splitlines()[0])
