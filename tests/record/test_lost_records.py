"""A record that lost something while the run went on, or afterwards, is known by it."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock

from seqrun.errors import Tripped
from seqrun.record import RecordError, RecordLocked, RunInfo, RunRecord, Store, merge
from seqrun.record.table import LOCK_NAME, Patience
from seqrun.values import Disposition, Judged, Limit, Reading, Verdict

INFO = RunInfo("DEMO-001", "Demo 2x40", "acceptance")


def offset(volts: float) -> Judged:
    held = Reading("dc_offset", "V", volts)
    return Judged(held, "offset", Limit(-1.0, 1.0), "simple", Verdict.PASS, 1.0)


def begin(folder: Path) -> RunRecord:
    record = Store(folder).start(INFO)
    record.keep_text("bench.toml", "name = 'b'\n")
    record.message_log()("meter", ">", "READ?")
    for n in range(4):
        record.reading(offset(0.01 * n))
    record.trace("heat", {"time_s": [0.0, 1.0], "sink_k": [0.0, 0.5]})
    return record


def whole(folder: Path) -> str:
    record = begin(folder)
    record.finish(Disposition.ACCEPT, "all limits are met")
    return record.run_id


def without_last_row(path: Path) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:-1]))


def test_a_whole_record_is_found_whole_alone_and_among_others(tmp_path: Path) -> None:
    names = [whole(tmp_path), whole(tmp_path)]
    store = Store(tmp_path)
    assert store.verify(names[0]) == {names[0]: ()}
    assert store.verify() == dict.fromkeys(names, ())


def shorter(folder: Path) -> None:
    without_last_row(folder.parent / "readings.csv")


def no_table(folder: Path) -> None:
    (folder.parent / "readings.csv").unlink()


def no_folder(folder: Path) -> None:
    shutil.rmtree(folder)


def another_value(folder: Path) -> None:
    path = folder.parent / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b",0.02,", b",0.03,"))


def cut(name: str) -> Callable[[Path], None]:
    def act(folder: Path) -> None:
        (path,) = folder.rglob(name)
        path.write_bytes(path.read_bytes()[:-2])

    return act


HARMS = [
    shorter,
    no_table,
    no_folder,
    another_value,
    cut("budgets.jsonl"),
    cut("messages.log"),
    cut("heat.csv"),
    cut("bench.toml"),
]


@pytest.mark.parametrize("harm", HARMS)
def test_what_a_record_loses_later_is_found(tmp_path: Path, harm: Callable[[Path], None]) -> None:
    name = whole(tmp_path)
    harm(tmp_path / name)
    (found,) = Store(tmp_path).verify(name).values()
    assert found


@pytest.mark.parametrize("harm", [h for h in HARMS if h not in HARMS[4:6]])
def test_what_a_record_loses_in_mid_run_holds_it_and_rows_are_put_back(
    tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    record = begin(tmp_path)
    harm(record.folder)
    with pytest.raises(RecordError):
        record.finish(Disposition.ACCEPT, "all limits are met")
    store = Store(tmp_path)
    run = store.run(record.run_id)
    assert run.disposition is Disposition.HOLD
    assert "record incomplete" in run.reason
    values = [row.value for row in store.readings(record.run_id)]
    assert set(values) >= {0.0, 0.01, 0.02, 0.03}


def test_an_older_copy_over_the_tables_in_mid_run_holds_it(tmp_path: Path) -> None:
    record = Store(tmp_path).start(INFO)
    before = {p: p.read_bytes() for p in tmp_path.glob("*.csv")}
    record.reading(offset(0.1))
    for path, content in before.items():
        path.write_bytes(content)
    with pytest.raises(RecordError, match="gone"):
        record.finish(Disposition.ACCEPT, "all limits are met")
    assert Store(tmp_path).run("last").disposition is Disposition.HOLD


def test_a_disposition_changed_in_the_table_alone_is_found(tmp_path: Path) -> None:
    record = begin(tmp_path)
    record.finish(Disposition.HOLD, "not measured: noise")
    runs = tmp_path / "runs.csv"
    runs.write_bytes(runs.read_bytes().replace(b",hold,", b",accept,"))
    (found,) = Store(tmp_path).verify(record.run_id).values()
    assert any("accept" in line for line in found)


def test_a_record_without_a_count_of_its_rows_is_not_whole(tmp_path: Path) -> None:
    name = whole(tmp_path)
    facts = json.loads((tmp_path / name / "run.json").read_text(encoding="utf-8"))
    del facts["record"]
    (tmp_path / name / "run.json").write_text(json.dumps(facts), encoding="utf-8")
    assert Store(tmp_path).verify(name)[name]


def test_a_merged_record_is_as_whole_as_it_was(tmp_path: Path) -> None:
    name = whole(tmp_path / "theirs")
    whole(tmp_path / "ours")
    merge(tmp_path / "ours", tmp_path / "theirs")
    assert Store(tmp_path / "ours").verify(name) == {name: ()}


def test_a_locked_record_keeps_a_reading_beside_and_takes_it_in_at_the_end(
    tmp_path: Path,
) -> None:
    record = begin(tmp_path)
    looks: list[float] = []
    with FileLock(tmp_path / LOCK_NAME), pytest.raises(RecordLocked):
        record.reading(offset(0.5), patience=Patience(0.6, lambda: looks.append(0.0)))
    assert len(looks) >= 2  # what protects was looked at while it waited
    assert 0.5 not in [row.value for row in Store(tmp_path).readings(record.run_id)]
    record.finish(Disposition.ABORTED, "the record was locked")
    assert [row.value for row in Store(tmp_path).readings(record.run_id)][-1] == 0.5
    assert Store(tmp_path).verify(record.run_id) == {record.run_id: ()}


def test_what_waits_after_a_run_was_killed_goes_in_with_the_next(tmp_path: Path) -> None:
    record = begin(tmp_path)
    with FileLock(tmp_path / LOCK_NAME), pytest.raises(RecordLocked):
        record.reading(offset(0.5), patience=Patience(0.0, lambda: None))
    whole(tmp_path)
    values = [row.value for row in Store(tmp_path).readings(record.run_id)]
    assert values.count(0.5) == 1


def test_a_trip_ends_the_waiting_for_a_lock_and_the_reading_is_kept(tmp_path: Path) -> None:
    record = begin(tmp_path)
    held, over = threading.Event(), threading.Event()

    def hold() -> None:
        with FileLock(tmp_path / LOCK_NAME):
            held.set()
            over.wait(20.0)

    def trips() -> None:
        raise Tripped("too much")

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait(5.0)
    try:
        with pytest.raises(Tripped):
            record.reading(offset(0.5), patience=Patience(15.0, trips))
    finally:
        over.set()
        thread.join()
    record.finish(Disposition.ABORTED, "tripped")
    assert [row.value for row in Store(tmp_path).readings(record.run_id)][-1] == 0.5
