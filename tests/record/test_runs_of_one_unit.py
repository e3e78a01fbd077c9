"""The runs of one unit, and one run, are what they are among all, whatever else is on record."""

from __future__ import annotations

from pathlib import Path

import pytest

from seqrun.record import Store
from seqrun.record.errors import RecordError
from seqrun.record.rows import RUN_COLUMNS

ROWS = [
    # the second is put in later than it began, as a merge does, and the third has no end
    ("20260105T090000000Z-A-1-00000a", "2026-01-05T09:00:00.000Z", "A-1", "accept"),
    ("20260103T090000000Z-B-2-00000b", "2026-01-03T09:00:00.000Z", "'=B-2", "reject"),
    ("20260106T090000000Z-A-1-00000c", "2026-01-06T09:00:00.000Z", "A-1", ""),
]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    lines = [",".join(RUN_COLUMNS)]
    for run_id, began, serial, disposition in ROWS:
        for end, word in (("", ""), (began, disposition))[: 2 if disposition else 1]:
            rest = f"{serial},Example,acceptance,A,bench,,{word},,false,0.1.0"
            lines.append(f"{run_id},{began},{end},{rest}")
    (tmp_path / "runs.csv").write_text("\r\n".join(lines) + "\r\n", encoding="utf-8")
    return Store(tmp_path)


def test_the_runs_of_a_unit_are_those_among_all_that_are_its_own(store: Store) -> None:
    for serial in ("A-1", "=B-2", "C-3"):
        assert store.runs(serial) == [run for run in store.runs() if run.serial == serial]
    assert len(store.runs("A-1")) == 2


def test_one_run_is_the_same_by_its_name_as_among_all(store: Store) -> None:
    every = store.runs()
    assert store.run("last") == every[-1]
    assert not store.run("last").finished
    for run in every:
        assert store.run(run.run_id) == run == store.run(run.run_id[-6:])
    with pytest.raises(RecordError, match="several runs are named 'A-1'"):
        store.run("A-1")
