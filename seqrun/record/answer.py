"""Answering a finding that holds a run: by a stated reason, or by a later measurement.

The rows stay as they were; a further end of the run goes on record, with who answered and why.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from seqrun.errors import UsageError
from seqrun.record.errors import RecordError
from seqrun.record.places import FACTS, run_folder
from seqrun.record.plain import merged, plain, read_json, write_json
from seqrun.record.rows import RunInfo, RunRow, run_cells
from seqrun.record.store import Store
from seqrun.values import Disposition

HELD_FOR = "held_for"  # in run.json: the finding that alone took an accept back
LEAST_WORDS = 3  # fewer are no reason


def answer(results: Path, name: str, why: str, by: str, measured: str = "") -> RunRow:
    """Take a run from hold to accept, whose every limit was met and that a finding alone holds.

    Args:
        why: the reason why the cause is not there.
        by: who says so.
        measured: a later run of the same unit that showed it, or "".

    Raises:
        UsageError: no reason, nobody who gives it, or a later run that does not show it.
        RecordError: the run is not held for a finding alone, or its record is not whole.
    """
    store = Store(results)
    run = store.run(name)
    if len(why.split()) < LEAST_WORDS or not by.strip():
        raise UsageError(
            f"'{why}' by '{by}'",
            expected=f"a reason of at least {LEAST_WORDS} words, and who gives it",
            where="answer",
            hint='--because "the sensor was off; put back and heated again" --operator NAME',
        )
    (lost,) = store.verify(run.run_id).values()
    if lost:
        raise RecordError(f"the record is not whole: {'; '.join(lost)}", where=run.run_id)
    path = run_folder(store.folder, run.run_id) / FACTS
    facts = read_json(path)
    held = facts.get(HELD_FOR)
    if run.disposition is not Disposition.HOLD or not isinstance(held, dict):
        raise RecordError(
            f"it is not held for a finding alone: {run.disposition.value}, {run.reason}",
            expected="a run whose every limit was met, held while a cause is likelier than none",
            where=run.run_id,
        )
    if measured:
        measured = _showing(store, run, measured)
    told = f"{why.strip()}, as run {measured} shows" if measured else why.strip()
    reason = f"{held.get('reason', '')}; '{held.get('title', '')}' was answered by {by}: {told}"
    started, ended = run.started, run.ended
    if started is None or ended is None:
        raise RecordError("its times cannot be read", where=run.run_id)
    info = RunInfo(
        run.serial, run.model, run.sequence, run.revision, run.bench, run.operator,
        run.simulated, run.version,
    )  # fmt: skip
    row = run_cells(run.run_id, info, started, ended, Disposition.ACCEPT, reason)
    said = {"why": why, "by": by, "measured": measured, "time": datetime.now(UTC)}
    end = {"disposition": Disposition.ACCEPT.value, "reason": reason}
    with store.lock():
        store.runs_table.append([row])
        write_json(path, merged(facts, plain({"run": end, "answer": said})))
    return store.run(run.run_id)


def _showing(store: Store, run: RunRow, name: str) -> str:
    """The id of a later run of the same unit that was accepted.

    Raises:
        UsageError: it is not one.
    """
    other = store.run(name)
    if (
        other.serial != run.serial
        or other.started_utc <= run.started_utc
        or other.disposition is not Disposition.ACCEPT
    ):
        raise UsageError(
            f"run {other.run_id} is of {other.serial}, {other.disposition.value}",
            expected=f"a later, accepted run of {run.serial}",
            where="--measured",
        )
    return other.run_id
