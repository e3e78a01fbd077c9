"""Runs in the order in which they were made, by their names, and with their own rows alone."""

from __future__ import annotations

import csv
import os
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from seqrun.record import READING_COLUMNS, RUN_COLUMNS, RecordError, RunInfo, Store
from seqrun.record import store as stores
from seqrun.record.frames import counted_frame, judged_of_frame, readings_frame, runs_frame
from seqrun.record.rows import RunRow, judged_of
from seqrun.record.table import Lock, Table
from seqrun.record.waiting import put_beside, take_in_all
from seqrun.values import Bound, Disposition, Judged, Limit, Reading, Verdict

INFO = RunInfo("A-1", "Demo 2x40", "acceptance")


def run_row(run_id: str, **told: str) -> list[str]:
    stamp = f"{run_id[:4]}-{run_id[4:6]}-{run_id[6:8]}T09:00:00.000Z"
    row = dict.fromkeys(RUN_COLUMNS, "") | {"run_id": run_id, "started_utc": stamp}
    row |= {"serial": run_id[20:-7], "simulated": "false"} | told
    return [row[name] for name in RUN_COLUMNS]


def ended(row: Sequence[str], word: str) -> list[str]:
    told = dict(zip(RUN_COLUMNS, row, strict=True))
    return [*(told | {"ended_utc": told["started_utc"], "disposition": word}).values()]


def reading_row(**told: str) -> list[str]:
    row = dict.fromkeys(READING_COLUMNS, "") | {"bound": "exact", "simulated": "true"} | told
    return [row[name] for name in READING_COLUMNS]


def written(path: Path, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([columns, *rows])


#: as they stand after a merge: not in the order of their time
IDS = [
    "20260104T090000000Z-A-1-00000d",
    "20260102T090000000Z-A-1-00000b",
    "20260102T090000000Z-B-2-00000a",
    "20260101T090000000Z-B-2-00000c",
]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    rows = [run_row(IDS[0]), *(r for i in IDS[1:] for r in (run_row(i), ended(run_row(i), "hold")))]
    written(tmp_path / "runs.csv", RUN_COLUMNS, rows)
    return Store(tmp_path)


# --- runs -----------------------------------------------------------------------------------------


def test_runs_are_in_the_order_of_their_time_and_then_of_their_id(store: Store) -> None:
    order = [IDS[3], IDS[1], IDS[2], IDS[0]]
    assert [run.run_id for run in store.runs()] == order
    assert [run.run_id for run in store.runs("B-2")] == [IDS[3], IDS[2]]
    assert store.run("last").run_id == IDS[0]
    assert store.serials() == {"A-1", "B-2"}


def test_a_name_that_fits_none_or_several_is_told_with_the_latest(store: Store) -> None:
    for name, found, latest in (
        ("C-3", "no run is named 'C-3'", f"{IDS[1]}, {IDS[2]}, {IDS[0]}"),
        ("", "no run is named ''", f"{IDS[1]}, {IDS[2]}, {IDS[0]}"),
        ("B-2", "several runs are named 'B-2'", f"{IDS[3]}, {IDS[2]}"),
    ):
        with pytest.raises(RecordError) as refused:
            store.run(name)
        assert refused.value.found == found
        assert refused.value.expected == (
            f"a run id, a part that only one has, or 'last'; the latest: {latest}"
        )


def test_no_name_names_no_run_even_where_there_is_only_one(tmp_path: Path) -> None:
    written(tmp_path / "runs.csv", RUN_COLUMNS, [run_row(IDS[0])])
    with pytest.raises(RecordError, match="no run is named ''"):
        Store(tmp_path).run("")


def test_an_id_is_found_though_another_contains_it(tmp_path: Path) -> None:
    longer = f"20260105T090000000Z-{IDS[0]}-00000e"
    written(tmp_path / "runs.csv", RUN_COLUMNS, [run_row(IDS[0]), run_row(longer)])
    assert Store(tmp_path).run(IDS[0]).run_id == IDS[0]


def test_a_start_that_is_no_time_is_told_with_its_line() -> None:
    with pytest.raises(ValueError, match="'at noon' is no time"):
        RunRow.parse(run_row(IDS[0], started_utc="at noon"))
    with pytest.raises(ValueError, match="'later' is no time"):
        RunRow.parse(run_row(IDS[0], ended_utc="later", disposition="hold"))


def test_a_frame_of_runs_says_which_have_ended_and_how(store: Store) -> None:
    frame = runs_frame(store.runs())
    assert frame["finished"].tolist() == [True, True, True, False]
    assert frame["disposition"].tolist() == ["hold", "hold", "hold", "aborted"]
    assert frame["run_id"].tolist() == [IDS[3], IDS[1], IDS[2], IDS[0]]


def test_only_folders_of_runs_are_folders_of_runs(tmp_path: Path) -> None:
    (tmp_path / IDS[1]).mkdir()
    (tmp_path / IDS[3]).mkdir()
    (tmp_path / "cases").mkdir()
    (tmp_path / IDS[0]).write_text("", encoding="utf-8")
    assert Store(tmp_path).folders() == [tmp_path / IDS[3], tmp_path / IDS[1]]


# --- starting one ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("free", "starts"), [(20_000_000, True), (19_999_999, False)])
def test_a_run_has_20_megabytes_or_is_not_begun(
    tmp_path: Path, mocker: MockerFixture, free: int, starts: bool
) -> None:
    mocker.patch.object(shutil, "disk_usage").return_value.free = free
    if starts:
        assert Store(tmp_path / "2026" / "a").start(INFO).folder.is_dir()
        return
    with pytest.raises(RecordError) as refused:
        Store(tmp_path / "2026" / "a").start(INFO)
    assert refused.value.expected == "at least 20 MB for a run"
    assert refused.value.hint == "free some space, or choose another --results folder"
    assert list((tmp_path / "2026" / "a").iterdir()) == []


def test_a_file_for_a_folder_is_told_before_anything_is_locked(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("a list of shopping", encoding="utf-8")
    with pytest.raises(RecordError) as refused:
        Store(tmp_path / "results").start(INFO)
    assert refused.value.found == "making the results folder failed: File exists"


def test_ids_that_are_all_taken_are_not_tried_for_ever(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    (tmp_path / IDS[0]).mkdir()
    tried = mocker.patch.object(stores, "new_run_id", return_value=IDS[0])
    with pytest.raises(RecordError) as refused:
        Store(tmp_path).start(INFO)
    assert refused.value.found == "no free run id could be found"
    assert tried.call_count == 20


def test_why_a_run_could_not_start_is_told_though_its_folder_cannot_be_removed(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    (tmp_path / "runs.csv").mkdir()
    mocker.patch.object(os, "rmdir", side_effect=PermissionError(13, "Permission denied"))
    with pytest.raises(RecordError, match=r"writing the record failed: Is a directory"):
        Store(tmp_path).start(INFO)


def test_rows_that_waited_go_in_though_those_of_another_run_cannot_be_read(tmp_path: Path) -> None:
    tables = [Table(tmp_path / f"{name}.csv", ("run_id", "n"), Lock(tmp_path)) for name in "ab"]
    folders = [tmp_path / IDS[3], tmp_path / IDS[1]]
    for folder in folders:
        folder.mkdir()
        for table in tables:
            assert put_beside(folder, table, [folder.name, table.path.stem]).parent == folder
    spoilt = folders[0] / "waiting-a.csv"
    spoilt.write_bytes(b"somebody's list\r\n")
    take_in_all(folders, tables)
    assert spoilt.read_bytes() == b"somebody's list\r\n"
    assert [row for _, row in tables[0].rows()] == [[IDS[1], "a"]]
    assert [row for _, row in tables[1].rows()] == [[IDS[3], "b"], [IDS[1], "b"]]


# --- rows of several runs -------------------------------------------------------------------------


def test_rows_of_some_runs_are_theirs_whether_they_stand_at_their_place_or_not(
    tmp_path: Path,
) -> None:
    store, made = Store(tmp_path), []
    for value in (1.0, 2.0, 3.0):
        with store.start(INFO) as record:
            reading = Reading("n", "", value)
            record.reading(Judged(reading, "s", None, "simple", Verdict.NONE, None))
            record.finish(Disposition.ACCEPT, "all met")
        made.append(store.run(record.run_id))
    place = READING_COLUMNS.index("value")
    rows, lost = store.sealed(made[1:])
    assert [row[place] for row in rows] == ["2.0", "3.0"]
    assert lost == {run.run_id: () for run in made[1:]}
    (tmp_path / made[1].run_id / "run.json").unlink()  # nothing tells where it began
    rows, lost = store.sealed(made[:2])
    assert [row[place] for row in rows] == ["1.0", "2.0"]
    assert lost[made[0].run_id] == () and lost[made[1].run_id] != ()
    assert store.sealed([]) == ([], {})


# --- frames ---------------------------------------------------------------------------------------


def test_columns_that_were_not_read_are_left_empty_in_the_reading() -> None:
    told = {"step": "s", "quantity": "gain", "unit": "dB", "channel": "left"}
    made = judged_of_frame({**told, "bound": "at_most", "verdict": "fail"})
    assert made == Judged(
        Reading("gain", "dB", None, channel="left", bound=Bound.AT_MOST),
        "s",
        None,
        "",
        Verdict.FAIL,
        None,
    )
    more = {"value": 29.0, "limit_low": 28.0, "limit_high": None, "decision": "guarded"}
    made = judged_of_frame({**told, **more, "bound": "exact", "verdict": "pass", "note": "n"})
    assert (made.value, made.limit, made.decision) == (29.0, Limit(28.0, None), "guarded")
    assert (made.note, made.reading.budget) == ("n", ())


def test_a_word_of_no_version_is_told_with_those_that_there_are() -> None:
    told = {"step": "s", "quantity": "gain", "unit": "dB", "channel": "", "verdict": "pass"}
    with pytest.raises(RecordError) as refused:
        judged_of_frame({**told, "bound": "about"})
    known = ", ".join(repr(str(bound)) for bound in Bound)
    assert refused.value.found == "'about' in the column bound"
    assert refused.value.expected == f"one of {known}"
    assert refused.value.where == "readings.csv"
    assert refused.value.hint == "another version of seqrun wrote it, or it was edited by hand"


@pytest.mark.parametrize("categories", [True, False])
@pytest.mark.parametrize(
    "names",
    [["0042", "7"], ["1", "NA"], ["inf", "nan"], ["True", "False"], ["", "1e3"], ["=1", "'=1"]],
)
def test_names_that_look_like_something_else_stay_names(
    tmp_path: Path, names: list[str], categories: bool
) -> None:
    table = Store(tmp_path).readings_table
    table.append([reading_row(model=name, value="1.5") for name in names])
    kept = [name.removeprefix("'") for name in names]
    frames = [
        readings_frame(table, categories=categories),
        readings_frame(table, ("model", "value"), categories=categories),
        readings_frame(
            table,
            categories=categories,
            rows=[row for _, row in table.rows()],
        ),
    ]
    for frame in frames:
        assert frame["model"].tolist() == kept
        assert frame["value"].tolist() == [1.5, 1.5]
    assert str(readings_frame(table, ("model",))["model"].dtype) != "category"


def test_a_table_that_goes_between_two_looks_is_told(tmp_path: Path, mocker: MockerFixture) -> None:
    table = Store(tmp_path).readings_table
    for begin in (None, 300):
        mocker.patch.object(Table, "torn_at", return_value=begin)
        with pytest.raises(RecordError, match="reading the record failed: No such file"):
            readings_frame(table)


def test_a_column_that_a_hand_took_out_is_told(tmp_path: Path) -> None:
    table = Store(tmp_path).readings_table
    table.append([reading_row(value="much")])
    with pytest.raises(RecordError, match="the table does not fit its columns: ") as refused:
        readings_frame(table)
    assert refused.value.where == str(table.path)
    assert refused.value.hint == "it was edited by hand"


def test_rows_count_by_their_place_in_the_whole_table_when_only_some_are_looked_at(
    tmp_path: Path,
) -> None:
    table = Store(tmp_path).readings_table
    told = [("a", "gain"), ("b", "gain"), ("a", "read_again"), ("a", "gain"), ("a", "read_again")]
    table.append([reading_row(run_id="r", step=s, quantity=q, value="1") for s, q in told])
    frame = readings_frame(table)
    assert counted_frame(frame).index.tolist() == [1]
    some = frame[frame["step"] == "a"].iloc[:3]
    assert counted_frame(some).index.tolist() == [3]
    assert counted_frame(frame[frame["step"] == "b"]).index.tolist() == [1]


@pytest.mark.parametrize("column", ["bound", "verdict", "simulated", "value", "limit_low"])
def test_a_cell_that_does_not_hold_what_its_column_says_is_no_reading(column: str) -> None:
    row = reading_row(verdict="pass")
    assert judged_of(row).verdict is Verdict.PASS
    row[READING_COLUMNS.index(column)] = "?"
    with pytest.raises(ValueError):
        judged_of(row)
