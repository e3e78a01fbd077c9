"""Which rows count in a frame, and what is said of a record that somebody or something spoilt."""

from __future__ import annotations

import errno
from collections import namedtuple
from pathlib import Path

import pandas as pd
import pytest
from pytest_mock import MockerFixture
from uncertainties import ufloat

from seqrun.errors import UsageError
from seqrun.record import RecordError, RunInfo, Store, load_run, merge
from seqrun.record.again import KEPT, READ_AGAIN, counted
from seqrun.record.cells import from_flag
from seqrun.record.frames import counted_frame, judged_of_frame
from seqrun.record.load import BUDGETS, Trace
from seqrun.record.plain import merged, plain, read_json
from seqrun.record.seal import FACTS, NOT_COUNTED, lost_of_run
from seqrun.record.table import Lock, Table
from seqrun.record.traces import read_trace, write_trace
from seqrun.values import Bound, Contribution, Disposition, Judged, Limit, Reading, Source, Verdict

INFO = RunInfo("T-1", "Demo 2x40", "acceptance")
FULL = OSError(errno.ENOSPC, "No space left on device")


def judged(step: str, quantity: str = "gain", value: float = 1.0, note: str = "") -> Judged:
    budget = (Contribution(Source("meter"), 0.1),)
    reading = Reading(quantity, "dB", value, budget, "left", note=note)
    return Judged(reading, step, Limit(0.0, 2.0), "guarded", Verdict.PASS, 1.0)


# --- which rows count ----------------------------------------------------------------------------


def rows(*entries: tuple[str, str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(entries, columns=["run_id", "step", "quantity", "note"])


def test_what_was_read_again_no_longer_counts_in_its_run_and_step_alone() -> None:
    frame = rows(
        ("a", "gain", "gain", "first"),
        ("a", "noise", "noise", "another step"),
        ("b", "gain", "gain", "another run"),
        ("a", "gain", READ_AGAIN, "mark"),
        ("a", "gain", "gain", "second"),
    )
    assert counted_frame(frame)["note"].tolist() == ["another step", "another run", "second"]
    assert counted_frame(frame.drop(columns="note"))["step"].tolist() == ["noise", "gain", "gain"]


def test_what_a_resumed_run_took_over_stands_by_the_run_that_made_it() -> None:
    frame = rows(("a", "gain", "gain", ""), ("b", "gain", "gain", f"{KEPT}a"))
    assert counted_frame(frame)["run_id"].tolist() == ["a"]


def test_of_readings_that_were_made_twice_the_later_ones_count_and_the_mark_stays() -> None:
    first, other, second = judged("a", value=1.0), judged("b"), judged("a", value=2.0)
    mark = judged("a", READ_AGAIN)
    assert counted([first, other, mark, second]) == [other, mark, second]
    again = judged("a", READ_AGAIN, value=2.0)
    assert counted([first, mark, second, again]) == [mark, again]


def test_a_row_of_a_frame_is_the_reading_that_it_was(tmp_path: Path) -> None:
    with Store(tmp_path).start(INFO) as record:
        record.reading(judged("a", note="n"))
    (found,) = (judged_of_frame(row) for row in Store(tmp_path).readings_frame().to_dict("records"))
    assert (found.step, found.channel, found.value, found.note) == ("a", "left", 1.0, "n")
    assert (found.limit, found.verdict) == (Limit(0.0, 2.0), Verdict.PASS)
    assert found.expanded_uncertainty == pytest.approx(0.2)


@pytest.mark.parametrize("column", ["verdict", "bound"])
def test_a_word_that_no_version_wrote_is_told_with_its_column(tmp_path: Path, column: str) -> None:
    with Store(tmp_path).start(INFO) as record:
        record.reading(judged("a"))
    (row,) = Store(tmp_path).readings_frame().to_dict("records")
    with pytest.raises(RecordError, match=f"'fine' in the column {column}"):
        judged_of_frame({**row, column: "fine"})


def test_a_number_that_is_none_ends_no_history_in_a_traceback(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        record.reading(judged("a"))
    path = store.readings_table.path
    path.write_text(path.read_text(encoding="utf-8").replace(",1.0,dB", ",much,dB"), "utf-8")
    with pytest.raises(RecordError, match="does not fit its columns"):
        store.readings_frame()


# --- facts ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "told"), [("{", "not JSON"), ("[1]", "not a JSON object")])
def test_facts_that_are_no_json_object_are_told(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / FACTS
    assert read_json(path) == {}
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match=told):
        read_json(path)
    (lost,) = lost_of_run(tmp_path, [], "accept")
    assert lost.startswith(f"{FACTS} cannot be read: ")


def test_a_run_without_an_end_or_without_a_count_is_not_whole(tmp_path: Path) -> None:
    assert lost_of_run(tmp_path, [], "") == ("the run has no end on record",)
    assert lost_of_run(tmp_path, [], "accept") == (NOT_COUNTED,)


def test_plain_is_what_json_can_hold() -> None:
    pair = namedtuple("pair", "one two")
    assert plain(pair(1, ufloat(2.0, 0.1))) == {
        "one": 1,
        "two": {"value": 2.0, "standard_uncertainty": 0.1},
    }
    assert plain({1: float("nan"), "b": {Bound.EXACT}}) == {"1": None, "b": ["exact"]}
    assert plain(object).startswith("<class")
    assert merged({"a": {"b": 1, "c": 2}, "d": {}}, {"a": {"c": 3}, "d": 4}) == {
        "a": {"b": 1, "c": 3},
        "d": 4,
    }


@pytest.mark.parametrize(("cell", "flag"), [("true", True), ("TRUE", True), ("False", False)])
def test_true_and_false_are_read_as_spreadsheets_save_them(cell: str, flag: bool) -> None:
    assert from_flag(cell) is flag
    with pytest.raises(ValueError, match="neither true nor false"):
        from_flag("yes")


# --- files of a run ------------------------------------------------------------------------------


def test_a_trace_that_a_hand_spoilt_is_told(tmp_path: Path) -> None:
    path = tmp_path / "rise.csv"
    write_trace(path, {"time_s": [0.0, 1.0], "rise_k": [1.5, float("nan")]})
    assert read_trace(path)["rise_k"][0] == 1.5
    path.write_text(path.read_text("utf-8").replace("1.5", "warm"), "utf-8")
    with pytest.raises(RecordError, match="not a table of numbers"):
        Trace("rise", path).read()
    with pytest.raises(RecordError):
        read_trace(tmp_path / "gone.csv")
    with pytest.raises(UsageError, match="different lengths: a_s 1, b_s 2"):
        write_trace(tmp_path / "two.csv", {"a_s": [1.0], "b_s": [1.0, 2.0]})
    with pytest.raises(RecordError):
        write_trace(tmp_path / "no folder" / "x.csv", {"a_s": [1.0]})


def test_a_budget_whose_line_is_torn_leaves_the_reading_its_uncertainty(tmp_path: Path) -> None:
    with Store(tmp_path).start(INFO) as record:
        record.reading(judged("a"))
        record.reading(judged("b"))
        record.finish(Disposition.ACCEPT, "")
        folder = record.folder
    path = folder / BUDGETS
    lines = path.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 2
    path.write_text(f"{lines[0][:20]}\n{lines[1]}\n", encoding="utf-8")
    first, second = load_run(tmp_path, "last").judged
    assert [c.source.name for c in second.reading.budget] == ["meter"]
    assert [c.source.name for c in first.reading.budget] != ["meter"]
    assert first.expanded_uncertainty == pytest.approx(0.2)
    path.unlink()
    assert all(
        j.expanded_uncertainty == pytest.approx(0.2) for j in load_run(tmp_path, "last").judged
    )


def test_a_budget_is_its_own_readings_alone(tmp_path: Path) -> None:
    with Store(tmp_path).start(INFO) as record:
        for step in "abc":
            record.reading(judged(step))
        record.finish(Disposition.ACCEPT, "")
    path = record.folder / BUDGETS
    first, second, third = path.read_text(encoding="utf-8").splitlines()
    text = "\n".join((first.replace('"step": "a"', '"step": "b"'), "[1]", second, '"x"', third))
    path.write_text(text, encoding="utf-8")
    names = [[c.source.name for c in j.reading.budget] for j in load_run(tmp_path, "last").judged]
    assert names == [["combined"], ["meter"], ["meter"]]
    path.unlink()
    path.mkdir()
    with pytest.raises(RecordError, match="reading the budgets failed: Is a directory"):
        load_run(tmp_path, "last")


def test_a_run_without_a_log_has_none(tmp_path: Path) -> None:
    with Store(tmp_path).start(INFO) as record:
        record.finish(Disposition.HOLD, "")
    data = load_run(tmp_path, "last")
    assert data.messages is None
    assert data.traces == data.files == data.sounds == ()


def test_a_trace_is_found_by_its_name(tmp_path: Path) -> None:
    with Store(tmp_path).start(INFO) as record:
        record.trace("rise", {"time_s": [0.0, 1.0]})
        record.finish(Disposition.HOLD, "")
    data = load_run(tmp_path, "last")
    found = data.trace("rise")
    assert found is not None
    assert list(found.read()) == ["time_s"]
    assert data.trace("fall") is None


# --- the results folder --------------------------------------------------------------------------


def test_a_run_id_that_is_taken_is_not_used_again(tmp_path: Path, mocker: MockerFixture) -> None:
    ids = [f"20260511T093000000Z-T-1-{n:06d}" for n in (1, 1, 2)]
    mocker.patch("seqrun.record.store.new_run_id", side_effect=ids)
    first, second = (Store(tmp_path).start(INFO) for _ in range(2))
    assert [first.run_id, second.run_id] == [ids[0], ids[2]]
    mocker.patch("seqrun.record.store.new_run_id", return_value=ids[0])
    with pytest.raises(RecordError, match="no free run id"):
        Store(tmp_path).start(INFO)


def test_a_disk_that_is_all_but_full_starts_no_run(tmp_path: Path, mocker: MockerFixture) -> None:
    usage = mocker.patch("seqrun.record.store.shutil.disk_usage")
    usage.return_value.free = 1_000_000
    with pytest.raises(RecordError, match="the disk has 1 MB left"):
        Store(tmp_path).start(INFO)
    usage.side_effect = FULL
    with pytest.raises(RecordError):
        Store(tmp_path).start(INFO)


def test_where_nothing_is_on_record_no_run_is_found(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no run is on record here"):
        Store(tmp_path / "none").run("last")


# --- the table itself ----------------------------------------------------------------------------


def table(folder: Path) -> Table:
    return Table(folder / "t.csv", ("run_id", "note"), Lock(folder))


@pytest.mark.parametrize(
    ("last", "torn"),
    [
        (b"b,whole\r\n", None),
        (b"b,whole", None),  # a spreadsheet leaves the last line end out
        (b"b,", None),
        (b"b", 21),  # cut in the middle of a write
        (b'b,"half', 21),
    ],
)
def test_a_last_line_is_torn_when_it_does_not_hold_all_its_cells(
    tmp_path: Path, last: bytes, torn: int | None
) -> None:
    its = table(tmp_path)
    assert its.torn_at() == 0
    its.append([("a", "note")])
    before = its.path.read_bytes()
    assert len(before) == 21
    its.path.write_bytes(before + last)
    assert its.torn_at() == torn
    assert [row[0] for _, row in its.rows()] == ["a"] + ([] if torn else ["b"])


def test_a_cell_longer_than_the_libraries_own_limit_is_read(tmp_path: Path) -> None:
    its = table(tmp_path)
    its.append([("a", "x" * 200_000)])
    assert [len(row[1]) for _, row in its.rows()] == [200_000]


def test_records_are_merged_into_no_place_that_cannot_be_one(tmp_path: Path) -> None:
    with Store(tmp_path / "other").start(INFO) as record:
        record.finish(Disposition.HOLD, "")
    (tmp_path / "a file").write_text("", encoding="utf-8")
    with pytest.raises(RecordError):
        merge(tmp_path / "a file" / "results", tmp_path / "other")
