"""What a run keeps from its first moment on, and how it ends when something was lost."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from filelock import FileLock
from pytest_mock import MockerFixture

from seqrun.record import RecordError, RecordLocked, RunInfo, RunRecord, Store, load_run
from seqrun.record import run as runs
from seqrun.record.seal import NOT_COUNTED, lost_of_run, rows_digest
from seqrun.record.table import LOCK_NAME, Patience, nothing
from seqrun.values import Contribution, Disposition, Judged, Reading, Source, Verdict

INFO = RunInfo("A-1", "Demo 2x40", "acceptance", "B", "Corner bench", "N. N.", False, "0.2.0")
BEGUN = datetime(2026, 5, 11, 9, 30, tzinfo=UTC)
ENDED = datetime(2026, 5, 11, 10, 15, tzinfo=UTC)


def judged(value: float, note: str = "") -> Judged:
    budget = (Contribution(Source("meter"), 0.1),)
    reading = Reading("n", "", value, budget, note=note)
    return Judged(reading, "count", None, "simple", Verdict.NONE, None)


@pytest.fixture
def record(tmp_path: Path) -> RunRecord:
    return Store(tmp_path / "2026" / "results").start(INFO, BEGUN)


def results(record: RunRecord) -> Path:
    return record.folder.parent


def facts(record: RunRecord) -> dict[str, object]:
    found: dict[str, object] = json.loads((record.folder / "run.json").read_text("utf-8"))
    return found


# --- what is kept ---------------------------------------------------------------------------------


def test_who_what_and_where_is_on_disk_before_anything_is_measured(record: RunRecord) -> None:
    assert facts(record) == {
        "run": {
            "run_id": record.run_id,
            "started": "2026-05-11T09:30:00.000Z",
            "serial": "A-1",
            "model": "Demo 2x40",
            "sequence": "acceptance",
            "revision": "B",
            "bench": "Corner bench",
            "operator": "N. N.",
            "simulated": False,
            "version": "0.2.0",
        }
    }


def test_the_end_keeps_how_many_rows_from_where_and_which_files(record: RunRecord) -> None:
    record.keep_text("unit.toml", "x")
    record.trace("heat", {"time_s": [0.0]})
    record.reading(judged(1.0))
    record.reading(judged(2.0))
    record.finish(Disposition.HOLD, "done", ENDED)
    told = facts(record)
    assert isinstance(told["run"], dict) and isinstance(told["record"], dict)
    assert told["run"]["ended"] == "2026-05-11T10:15:00.000Z"
    assert (told["run"]["disposition"], told["run"]["reason"]) == ("hold", "done")
    header = (results(record) / "readings.csv").read_bytes().splitlines(keepends=True)[0]
    assert (told["record"]["rows"], told["record"]["rows_begin"]) == (2, len(header))
    assert list(told["record"]["files"]) == [
        "budgets.jsonl",
        "files/unit.toml",
        "traces/heat.csv",
    ]
    assert all(len(digest) == 64 for digest in told["record"]["files"].values())


@pytest.mark.parametrize("says", [True, False])
def test_a_reading_says_itself_whether_it_was_simulated(record: RunRecord, says: bool) -> None:
    record.reading(judged(1.0), simulated=says)
    record.reading(judged(1.0))
    assert [row.simulated for row in Store(results(record)).readings()] == [says, False]


def test_when_a_reading_was_made_comes_back_with_it(record: RunRecord) -> None:
    record.reading(judged(1.0), time=ENDED)
    (row,) = Store(results(record)).readings()
    assert row.time_utc == "2026-05-11T10:15:00.000Z"


def test_a_sound_says_what_voltage_its_full_scale_is(record: RunRecord) -> None:
    for name in ("left", "left", "right"):
        record.sound(name, np.zeros(8), 8000.0, 0.1)
    kept = facts(record)["sounds"]
    assert kept == {name: {"full_scale_v": 0.1} for name in ("left", "left-2", "right")}


def test_there_is_one_log_however_often_it_is_asked_for(record: RunRecord) -> None:
    log = record.message_log()
    log("meter", ">", "READ?")
    assert record.message_log() is log
    record.finish(Disposition.HOLD, "done")
    assert log.path.read_text("utf-8").endswith(" meter > READ?\n")


def test_budgets_are_closed_at_the_end_and_the_run_takes_nothing_more(record: RunRecord) -> None:
    record.finish(Disposition.HOLD, "done")
    assert record._budgets.closed
    with pytest.raises(RecordError) as refused:
        record.reading(judged(1.0))
    assert refused.value.found == "the run is finished; nothing can be added"
    assert refused.value.where == record.run_id


# --- what is lost ---------------------------------------------------------------------------------


def keep(record: RunRecord) -> Path:
    source = results(record) / "unit.toml"
    source.write_text("model = 'x'", encoding="utf-8")
    return record.keep(source)


KEPT: list[Callable[[RunRecord], Path]] = [
    keep,
    lambda record: record.keep_text("bench.toml", "name = 'x'"),
    lambda record: record.trace("heat", {"time_s": [0.0, 1.0]}),
    lambda record: record.sound("left", np.ones(8), 8000.0, 2.0),
]


@pytest.mark.parametrize("kept", KEPT)
def test_every_file_that_was_kept_is_missed_and_named_when_it_is_spoilt_or_gone(
    record: RunRecord, kept: Callable[[RunRecord], Path]
) -> None:
    path = kept(record)
    name = path.relative_to(record.folder).as_posix()
    record.finish(Disposition.ACCEPT, "all met")
    assert load_run(results(record), "last").missing == ()
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    assert load_run(results(record), "last").missing == (f"{name} is not as the run wrote it",)
    path.unlink()
    assert load_run(results(record), "last").missing == (f"{name} is gone",)


def test_what_a_run_lost_is_told_in_words(record: RunRecord) -> None:
    for value in (1.0, 2.0):
        record.reading(judged(value, "hums"))
    record.finish(Disposition.ACCEPT, "all met")
    table, end = results(record) / "readings.csv", results(record) / "runs.csv"
    whole, ended = table.read_bytes(), end.read_bytes()
    for spoilt, words in (
        (
            whole.rpartition(b"\r\n")[0].rpartition(b"\r\n")[0] + b"\r\n",
            "readings.csv has 1 rows of this run, and it wrote 2",
        ),
        (
            whole.replace(b",2.0,", b",2.5,"),
            "rows of this run in readings.csv are not as it wrote them",
        ),
        (
            whole.replace(b"hums", b"Hums", 1),  # the letters count
            "rows of this run in readings.csv are not as it wrote them",
        ),
    ):
        assert spoilt != whole
        table.write_bytes(spoilt)
        assert load_run(results(record), "last").missing == (words,)
    table.write_bytes(whole)
    end.write_bytes(ended.replace(b",accept,", b",reject,"))
    assert load_run(results(record), "last").missing == (
        "runs.csv says reject, and run.json says accept",
    )


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"record": []}, NOT_COUNTED),
        ({"run": 3}, "runs.csv says hold, and run.json says None"),
        ({"record": {"rows": 1}}, "rows of this run in readings.csv are not as it wrote them"),
    ],
)
def test_facts_of_another_shape_are_no_traceback(
    record: RunRecord, told: dict[str, object], words: str
) -> None:
    row = ["x"]
    whole = facts(record)
    whole |= {"run": {"disposition": "hold"}, **told}
    if "record" not in told:
        whole["record"] = {"rows": 1, "rows_sha256": rows_digest([row]), "files": ["a", "b"]}
    (record.folder / "run.json").write_text(json.dumps(whole), encoding="utf-8")
    assert lost_of_run(record.folder, [row], "hold") == (words,)


def test_rows_that_are_gone_in_mid_run_are_counted_and_put_back(record: RunRecord) -> None:
    for value in (1.0, 2.0, 3.0):
        record.reading(judged(value))
    table = results(record) / "readings.csv"
    table.write_bytes(b"".join(table.read_bytes().splitlines(keepends=True)[:2]))
    with pytest.raises(RecordError) as told:
        record.finish(Disposition.ACCEPT, "all met")
    assert told.value.found == "2 rows were gone from readings.csv"
    assert told.value.where == str(record.folder)
    row = Store(results(record)).run("last")
    assert row.disposition is Disposition.HOLD
    assert row.reason == "all met; record incomplete: 2 rows were gone from readings.csv"
    assert {one.value for one in Store(results(record)).readings()} == {1.0, 2.0, 3.0}


@pytest.mark.parametrize("disposition", [Disposition.REJECT, Disposition.ABORTED, Disposition.HOLD])
def test_only_an_accept_is_taken_back_by_what_was_lost(
    record: RunRecord, disposition: Disposition
) -> None:
    record.reading(judged(1.0))
    (record.folder / "budgets.jsonl").unlink()
    with pytest.raises(RecordError):
        record.finish(disposition, "so it was")
    row = Store(results(record)).run("last")
    assert row.disposition is disposition
    assert row.reason == "so it was; record incomplete: budgets.jsonl is gone"


def test_a_table_that_can_be_read_no_more_at_the_end_takes_an_accept_back(
    record: RunRecord,
) -> None:
    record.reading(judged(1.0))
    (results(record) / "readings.csv").write_bytes(b"date,mileage\r\n")
    with pytest.raises(RecordError):
        record.finish(Disposition.ACCEPT, "all met")
    row = Store(results(record)).run("last")
    assert row.disposition is Disposition.HOLD
    assert row.reason == ("all met; record incomplete: the table has other columns: 'date,mileage'")


def test_both_troubles_at_the_end_are_no_reason_to_leave_out_the_first(
    record: RunRecord, mocker: MockerFixture
) -> None:
    log = record.message_log()
    full, broken = OSError(28, "No space left on device"), OSError(5, "Input/output error")
    mocker.patch.object(record._budgets, "close", side_effect=full)
    log.failure = broken
    with pytest.raises(RecordError) as told:
        record.finish(Disposition.ACCEPT, "all met")
    assert told.value.found == "writing a budget failed: No space left on device"
    assert told.value.where == str(record.folder / "budgets.jsonl")


def test_what_stands_before_a_run_is_not_looked_at_for_it(tmp_path: Path) -> None:
    """A history of a million rows is not read again at the end of every run."""
    with Store(tmp_path).start(INFO) as before:
        before.reading(judged(9.0))
    record = Store(tmp_path).start(INFO)
    record.reading(judged(1.0))
    table = tmp_path / "readings.csv"
    lines = table.read_bytes().splitlines(keepends=True)
    lines[1] = lines[1].replace(b",", b";")  # whoever reads it stumbles
    table.write_bytes(b"".join(lines))
    record.finish(Disposition.ACCEPT, "all met")
    store = Store(tmp_path)
    assert store.run(record.run_id).disposition is Disposition.ACCEPT
    assert store.verify(record.run_id) == {record.run_id: ()}


# --- a record that is locked at the end -----------------------------------------------------------


def test_at_its_end_a_run_waits_as_long_as_a_merge_may_take_and_not_as_if_it_hung(
    record: RunRecord,
) -> None:
    """What it cannot write then is kept beside the table."""
    assert 5.0 <= runs.AT_THE_END_S <= 10.0
    record.finish(Disposition.HOLD, "done")


def test_an_end_that_a_lock_kept_out_goes_in_with_the_next_run(
    record: RunRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "AT_THE_END_S", 0.0)
    record.reading(judged(1.0))
    with FileLock(results(record) / LOCK_NAME), pytest.raises(RecordLocked):
        record.finish(Disposition.REJECT, "fail: n 1")
    store = Store(results(record))
    assert not store.run(record.run_id).finished
    store.start(INFO)
    assert store.run(record.run_id).disposition is Disposition.REJECT
    assert store.verify(record.run_id) == {record.run_id: ()}


def test_an_accept_with_rows_that_wait_outside_the_table_is_a_hold(
    record: RunRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "AT_THE_END_S", 0.0)
    with FileLock(results(record) / LOCK_NAME):
        with pytest.raises(RecordLocked):
            record.reading(judged(1.0), patience=Patience(0.0, nothing))
        with pytest.raises(RecordError):
            record.finish(Disposition.ACCEPT, "all met")
    store = Store(results(record))
    store.start(INFO)
    row = store.run(record.run_id)
    assert row.disposition is Disposition.HOLD
    assert row.reason.startswith("all met; record incomplete: another program has kept")
    assert [one.value for one in store.readings(record.run_id)] == [1.0]


def test_a_run_whose_record_cannot_be_opened_does_not_begin(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    refused = OSError(24, "Too many open files")
    mocker.patch.object(runs, "open_text", side_effect=refused)
    with pytest.raises(RecordError, match="opening the run's record failed: Too many open files"):
        Store(tmp_path).start(INFO)
    assert Store(tmp_path).runs() == []
    assert [path for path in tmp_path.iterdir() if path.is_dir()] == []


# --- a run that somebody or something ends --------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (ValueError(" the link broke \nand more"), "the link broke"),
        (ValueError("  "), "ValueError"),
        (None, "the run was left unfinished"),
    ],
)
def test_a_run_that_nobody_ended_is_aborted_with_what_ended_it(
    tmp_path: Path, error: Exception | None, reason: str
) -> None:
    def leave() -> None:
        with Store(tmp_path).start(INFO):
            if error is not None:
                raise error

    if error is None:
        leave()
    else:
        with pytest.raises(ValueError):
            leave()
    row = Store(tmp_path).run("last")
    assert (row.disposition, row.reason) == (Disposition.ABORTED, reason)


@pytest.mark.parametrize(
    ("disposition", "reason", "tripped"),
    [
        (Disposition.ABORTED, "tripped: supply_current", True),
        (Disposition.ABORTED, "interrupted", False),
        (Disposition.HOLD, "tripped over a lead", False),
    ],
)
def test_a_trip_is_told_from_other_ends(
    record: RunRecord, disposition: Disposition, reason: str, tripped: bool
) -> None:
    record.finish(disposition, reason)
    assert load_run(results(record), "last").tripped is tripped
