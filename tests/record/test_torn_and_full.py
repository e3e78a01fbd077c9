"""Power cuts, full disks, missing rights: complete rows stay, and errors are told in words."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from seqrun.judge import decide
from seqrun.record import RecordError, RunInfo, Store
from seqrun.record.table import Lock, Table
from seqrun.values import Contribution, Disposition, Judged, Limit, Reading, Source

INFO = RunInfo("DEMO-001", "Demo 2x40", "acceptance")
COLUMNS = ("run_id", "note")


def judged(note: str) -> Judged:
    held = Reading("dc_offset", "V", 0.01, (Contribution(Source("gain"), 1e-3),), note=note)
    return decide(held, Limit(-0.05, 0.05), "guarded", "offset")


@pytest.fixture
def table(tmp_path: Path) -> Table:
    return Table(tmp_path / "table.csv", COLUMNS, Lock(tmp_path))


def notes(table: Table) -> list[str]:
    return [row[1] for _, row in table.rows()]


def test_a_cut_at_any_byte_loses_no_complete_row(table: Table) -> None:
    table.append([["1", "first"], ["2", "second"]])
    whole = table.path.read_bytes()
    table.append([["3", 'with "quotes", commas']])
    torn = table.path.read_bytes()
    for cut in range(len(whole), len(torn)):
        table.path.write_bytes(torn[:cut])
        before = notes(table)
        assert before[:2] == ["first", "second"]
        table.append([["4", "after"]])
        after = notes(table)
        assert after == [*before, "after"]
        assert table.path.read_bytes().endswith(b"4,after\r\n")
        lines = table.path.read_bytes().split(b"\r\n")
        assert all(line.count(b"\n") == 0 for line in lines)


def test_a_cut_in_the_header_starts_the_table_anew(table: Table) -> None:
    table.append([["1", "first"]])
    header = table.path.read_bytes().split(b"\n")[0] + b"\n"
    for cut in range(len(header)):
        table.path.write_bytes(header[:cut])
        assert notes(table) == []
        table.append([["1", "again"]])
        assert notes(table) == ["again"]


def test_blocks_of_zeros_that_a_power_cut_leaves_are_put_aside(table: Table) -> None:
    table.append([["1", "first"]])
    with table.path.open("ab") as file:
        file.write(b"2,sec" + b"\0" * 5000)
    assert notes(table) == ["first"]
    table.append([["3", "third"]])
    assert notes(table) == ["first", "third"]
    aside = (table.path.parent / "torn-lines.txt").read_text("utf-8")
    assert "'2,sec'" in aside


def test_a_torn_line_longer_than_a_block_is_found(table: Table) -> None:
    table.append([["1", "first"]])
    with table.path.open("ab") as file:
        file.write(b'2,"' + b"x" * 200_000)
    table.append([["3", "third"]])
    assert notes(table) == ["first", "third"]


def test_a_last_line_that_lacks_only_its_end_is_kept(table: Table) -> None:
    table.append([["1", "first"]])
    table.path.write_bytes(table.path.read_bytes().rstrip(b"\r\n"))
    assert notes(table) == ["first"]
    table.append([["2", "second"]])
    assert notes(table) == ["first", "second"]


def test_pandas_passes_a_torn_line_over_too(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        record.reading(judged("first"))
    path = tmp_path / "readings.csv"
    path.write_bytes(path.read_bytes() + b'20260511T093000000Z-X-abcdef,"tor')
    assert list(store.readings_frame()["note"]) == ["first"]
    assert [row.note for row in store.readings()] == ["first"]


def test_what_was_shown_is_on_record_after_the_process_is_killed(tmp_path: Path) -> None:
    program = f"""
from seqrun.record import RunInfo, Store
from seqrun.values import Judged, Reading, Verdict
record = Store({str(tmp_path)!r}).start(RunInfo("DEMO-001", "m", "s"))
for n in range(10**6):
    record.reading(Judged(Reading("n", "", float(n)), "s", None, "simple", Verdict.NONE, None))
    print(n, flush=True)
"""
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        shown = -1
        while shown < 20:
            shown = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        shown = max([shown, *(int(n) for n in child.stdout.read().split()[:-1])])
    store = Store(tmp_path)
    values = [row.value for row in store.readings()]
    assert values[: shown + 1] == [float(n) for n in range(shown + 1)]
    store.start(INFO)  # the lock of the dead process holds nobody up
    assert len(store.runs()) == 2


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "table.csv").symlink_to("/dev/full")
    table = Table(tmp_path / "table.csv", COLUMNS, Lock(tmp_path))
    with pytest.raises(RecordError, match="No space left") as caught:
        table.append([["1", "first"]])
    assert "free some space" in str(caught.value)


def test_a_row_that_does_not_fit_leaves_nothing_of_itself(table: Table) -> None:
    table.append([["1", "first"]])
    before = table.path.read_bytes()
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 10, hard))
    try:
        with pytest.raises(RecordError):
            table.append([["2", "x" * 100]])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert table.path.read_bytes() == before


def test_a_run_that_cannot_be_written_leaves_no_half_of_itself(tmp_path: Path) -> None:
    (tmp_path / "runs.csv").mkdir()
    with pytest.raises(RecordError, match=r"runs\.csv"):
        Store(tmp_path).start(INFO)
    assert not [p for p in tmp_path.iterdir() if p.is_dir() and p.name != "runs.csv"]


def test_a_file_in_place_of_the_results_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("a list of shopping")
    with pytest.raises(RecordError, match="results"):
        Store(tmp_path / "results").start(INFO)


def test_a_folder_without_write_permission_is_told(tmp_path: Path) -> None:
    user = os.geteuid()
    tmp_path.chmod(0o500)
    if user == 0:
        os.seteuid(65534)  # root may write anywhere, so be nobody for a moment
    try:
        with pytest.raises(RecordError, match="Permission denied") as caught:
            Store(tmp_path).start(INFO)
    finally:
        os.seteuid(user)
        tmp_path.chmod(0o700)
    assert "--results" in str(caught.value)


def test_too_little_room_stops_a_run_before_it_starts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("seqrun.record.store.LEAST_FREE_BYTES", 2**70)
    with pytest.raises(RecordError, match="MB left"):
        Store(tmp_path).start(INFO)
    assert list(tmp_path.iterdir()) == []


def test_a_table_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("date,mileage\n2026-05-11,12\n")
    with pytest.raises(RecordError, match="other columns"):
        Store(tmp_path).start(INFO)
    assert path.read_text() == "date,mileage\n2026-05-11,12\n"


def test_a_lock_that_nobody_lets_go_of_is_told(tmp_path: Path) -> None:
    with Lock(tmp_path)():
        table = Table(tmp_path / "table.csv", COLUMNS, Lock(tmp_path, timeout_s=0.05))
        with pytest.raises(RecordError, match="locked"):
            table.append([["1", "first"]])


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_message_log_on_a_full_disk_never_stops_a_message_but_stops_an_accept(
    tmp_path: Path,
) -> None:
    store = Store(tmp_path)
    record = store.start(INFO)
    log = record.message_log()
    os.dup2(os.open("/dev/full", os.O_WRONLY), log._file.fileno())  # the disk fills up
    for _ in range(10_000):
        log("supply", ">", "OUTPut:STATe OFF")
    with pytest.raises(RecordError, match="message log"):
        record.finish(Disposition.ACCEPT, "all 3 limits are met")
    (run,) = store.runs()
    assert run.disposition is Disposition.HOLD
    assert "record incomplete" in run.reason
