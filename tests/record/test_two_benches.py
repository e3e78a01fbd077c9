"""Two benches that write into one folder at once, and folders that are joined later."""

from __future__ import annotations

import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from threading import Barrier

import pytest

from seqrun.errors import UsageError
from seqrun.record import RecordError, RunInfo, Store, load_run, merge
from seqrun.record.places import is_run_id
from seqrun.record.table import Lock, Table
from seqrun.values import Disposition, Judged, Reading, Verdict

NOON = datetime(2026, 5, 11, 12, tzinfo=UTC)


def count(value: float) -> Judged:
    return Judged(Reading("n", "", value), "count", None, "simple", Verdict.NONE, None)


def measure(folder: Path, serial: str, readings: int, finish: bool = True) -> str:
    record = Store(folder).start(RunInfo(serial, "Demo 2x40", "acceptance"))
    for n in range(readings):
        record.reading(count(float(n)))
    record.trace("heat", {"time_s": [0.0, 1.0], "sink_k": [0.0, 0.5]})
    if finish:
        record.finish(Disposition.HOLD, "no reading was held against a limit")
    else:
        record.flush()
    return record.run_id


def values_by_run(folder: Path) -> dict[str, list[float | None]]:
    store = Store(folder)
    return {run.run_id: [r.value for r in store.readings(run.run_id)] for run in store.runs()}


def test_processes_that_write_at_once_lose_no_row(tmp_path: Path) -> None:
    program = f"""
from seqrun.record import RunInfo, Store
from seqrun.values import Disposition, Judged, Reading, Verdict
record = Store({str(tmp_path)!r}).start(RunInfo("DEMO-001", "m", "s"))
for n in range(60):
    record.reading(Judged(Reading("n", "", float(n)), "s", None, "simple", Verdict.NONE, None))
record.finish(Disposition.HOLD, "done")
"""
    children = [subprocess.Popen([sys.executable, "-c", program]) for _ in range(3)]
    assert [child.wait() for child in children] == [0, 0, 0]
    found = values_by_run(tmp_path)
    assert len(found) == 3
    assert all(values == [float(n) for n in range(60)] for values in found.values())
    assert (tmp_path / "readings.csv").read_bytes().count(b"run_id,") == 1
    assert all(run.finished for run in Store(tmp_path).runs())


def test_threads_that_share_a_store_or_have_their_own_lose_no_row(tmp_path: Path) -> None:
    with ThreadPoolExecutor(6) as pool:
        ids = list(pool.map(lambda n: measure(tmp_path, f"DEMO-{n}", 15), range(12)))
    found = values_by_run(tmp_path)
    assert set(found) == set(ids)
    assert all(values == [float(n) for n in range(15)] for values in found.values())


def test_writers_that_find_no_table_write_one_header_between_them(tmp_path: Path) -> None:
    writers = 8
    for attempt in range(10):
        path = tmp_path / f"table-{attempt}.csv"
        together = Barrier(writers)

        def write(n: int, path: Path = path, together: Barrier = together) -> None:
            table = Table(path, ("run_id", "note"), Lock(tmp_path))
            together.wait()
            table.append([[str(n), "x"]])

        with ThreadPoolExecutor(writers) as pool:
            list(pool.map(write, range(writers)))
        lines = path.read_text().splitlines()
        assert lines[0] == "run_id,note"
        assert sorted(lines[1:]) == [f"{n},x" for n in range(writers)]


def test_run_ids_of_one_millisecond_differ_and_ids_sort_by_time(tmp_path: Path) -> None:
    store = Store(tmp_path)
    info = RunInfo("DEMO-001", "Demo 2x40", "acceptance")
    ids = [store.start(info, NOON).run_id for _ in range(30)]
    assert len(set(ids)) == 30
    assert all(is_run_id(i) for i in ids)
    assert store.start(info, NOON.replace(second=1)).run_id > max(ids)


@pytest.mark.parametrize("serial", ["Ä 12 #3 (b)", "...", "X" * 64, "左-7"])
def test_any_serial_number_makes_a_run_id_that_is_a_plain_file_name(
    tmp_path: Path, serial: str
) -> None:
    if serial == "...":
        with pytest.raises(UsageError):
            measure(tmp_path, serial, 0)
        return
    run_id = measure(tmp_path, serial, 0)
    assert is_run_id(run_id)
    assert run_id.isascii()
    assert (tmp_path / run_id).parent == tmp_path
    assert Store(tmp_path).runs()[0].serial == serial


def test_merging_adds_everything_once_however_often_it_is_done(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    mine = measure(ours, "DEMO-001", 3)
    other = measure(theirs, "DEMO-002", 5)
    added = merge(ours, theirs)
    assert (added.runs, added.readings) == (1, 5)
    again = merge(ours, theirs)
    assert (again.runs, again.readings, again.files) == (0, 0, 0)
    assert {k: len(v) for k, v in values_by_run(ours).items()} == {mine: 3, other: 5}
    assert [run.run_id for run in Store(ours).runs()] == [mine, other]
    assert load_run(ours, other).traces[0].name == "heat"


def test_two_equal_readings_of_one_run_are_two_after_a_merge(tmp_path: Path) -> None:
    record = Store(tmp_path / "theirs").start(RunInfo("DEMO-001", "m", "s"))
    record.reading(count(1.0), time=NOON)
    record.reading(count(1.0), time=NOON)
    record.flush()
    merge(tmp_path / "ours", tmp_path / "theirs")
    merge(tmp_path / "ours", tmp_path / "theirs")
    assert values_by_run(tmp_path / "ours") == {record.run_id: [1.0, 1.0]}


def test_a_run_merged_while_it_went_on_is_completed_by_the_next_merge(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    record = Store(theirs).start(RunInfo("DEMO-001", "Demo 2x40", "acceptance"))
    log = record.message_log()
    log("supply", ">", "*RST")
    record.reading(count(0.0))
    merge(ours, theirs)
    assert not Store(ours).runs()[0].finished
    log("supply", ">", "*CLS")
    record.reading(count(1.0))
    record.facts({"conditions": {"ambient_c": 21.5}})
    record.finish(Disposition.HOLD, "done")
    added = merge(ours, theirs)
    assert (added.runs, added.readings) == (0, 1)
    run = load_run(ours, "last")
    assert run.run.finished
    assert run.facts["conditions"] == {"ambient_c": 21.5}
    assert run.messages is not None
    assert len(run.messages.read_text().splitlines()) == 2
    assert sorted(p.name for p in run.folder.iterdir()) == sorted(
        p.name for p in (theirs / record.run_id).iterdir()
    )


def test_a_merge_that_broke_off_is_completed_by_the_next_one(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    run_id = measure(theirs, "DEMO-001", 5)
    merge(ours, theirs)
    table = ours / "readings.csv"
    lines = table.read_bytes().splitlines(keepends=True)
    table.write_bytes(b"".join(lines[:3]))
    shutil.rmtree(ours / run_id / "traces")
    added = merge(ours, theirs)
    assert (added.readings, added.files) == (3, 1)
    assert sorted(v for v in values_by_run(ours)[run_id] if v is not None) == [0, 1, 2, 3, 4]


def test_a_file_that_both_have_differently_is_kept_twice(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    run_id = measure(theirs, "DEMO-001", 1)
    merge(ours, theirs)
    (ours / run_id / "report.html").write_text("ours")
    (theirs / run_id / "report.html").write_text("theirs")
    assert merge(ours, theirs).files == 1
    assert merge(ours, theirs).files == 0
    texts = {p.read_text() for p in (ours / run_id).glob("report*.html")}
    assert texts == {"ours", "theirs"}
    assert (ours / run_id / "report.html").read_text() == "ours"


def test_merging_follows_no_link_out_of_the_other_folder(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "key").write_text("private")
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    run_id = measure(theirs, "DEMO-001", 1)
    (theirs / run_id / "files").mkdir()
    (theirs / run_id / "files" / "key").symlink_to(secret / "key")
    (theirs / run_id / "all").symlink_to(secret)
    merge(ours, theirs)
    assert not list(ours.rglob("key"))


def test_a_run_id_that_is_a_path_is_refused(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    run_id = measure(theirs, "DEMO-001", 1)
    table = theirs / "runs.csv"
    table.write_text(table.read_text().replace(run_id, "../../x"))
    with pytest.raises(RecordError, match=r"\.\./\.\./x"):
        merge(ours, theirs)
    with pytest.raises(RecordError):
        load_run(theirs, "last")


def test_a_folder_is_not_merged_with_itself_or_with_nothing(tmp_path: Path) -> None:
    measure(tmp_path / "ours", "DEMO-001", 1)
    with pytest.raises(UsageError, match="same"):
        merge(tmp_path / "ours", tmp_path / "ours" / "." / "")
    with pytest.raises(UsageError, match="no record"):
        merge(tmp_path / "ours", tmp_path / "nowhere")
