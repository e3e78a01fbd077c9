"""What a merge takes along, counts and leaves: files, cases, photographs, links."""

from __future__ import annotations

import filecmp
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from seqrun.record import Merged, RecordError, RunInfo, Store, merge
from seqrun.record.cases import Cases
from seqrun.values import Disposition, Judged, Reading, Verdict

ONE = Judged(Reading("n", "", 1.0), "count", None, "simple", Verdict.NONE, None)


def a_run(folder: Path, serial: str = "A-1", ended: bool = True) -> str:
    record = Store(folder).start(RunInfo(serial, "Demo 2x40", "acceptance"))
    record.reading(ONE)
    record.trace("heat", {"time_s": [0.0, 1.0]})
    if ended:
        record.finish(Disposition.HOLD, "done")
    return record.run_id


@pytest.fixture
def ours(tmp_path: Path) -> Path:
    return tmp_path / "ours"


@pytest.fixture
def theirs(tmp_path: Path) -> Path:
    return tmp_path / "theirs"


def names(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_everything_that_was_added_is_counted_and_nothing_twice(ours: Path, theirs: Path) -> None:
    run_id = a_run(theirs)
    for text in ("hums", "hums less"):
        Cases(Store(theirs)).add("A-1", "complaint", text, "the owner")
    into = ours / "2026" / "both benches"
    assert merge(into, theirs) == Merged(runs=1, readings=1, files=3, said=2)
    assert names(into / run_id) == ["budgets.jsonl", "run.json", "traces/heat.csv"]
    assert merge(into, theirs) == Merged(runs=0, readings=0, files=0, said=0)
    assert [entry.text for entry in Cases(Store(into)).entries("A-1")] == ["hums", "hums less"]


def test_what_two_benches_said_of_one_unit_is_whole_after_a_merge(ours: Path, theirs: Path) -> None:
    for folder, text in ((ours, "hums"), (theirs, "hums on the left")):
        a_run(folder)
        Cases(Store(folder)).add("A-1", "complaint", text)
        Cases(Store(folder)).add("A-1", "work", f"looked at: {text}")
    assert merge(ours, theirs).said == 2
    assert Cases(Store(ours)).lost("A-1") == ()
    assert len(Cases(Store(ours)).entries("A-1")) == 4


def test_of_equal_rows_those_are_added_that_a_merge_broke_off_before(
    ours: Path, theirs: Path
) -> None:
    record = Store(theirs).start(RunInfo("A-1", "Demo 2x40", "acceptance"))
    moment = datetime(2026, 5, 11, 12, tzinfo=UTC)
    for _ in range(3):
        record.reading(ONE, time=moment)
    merge(ours, theirs)
    table = ours / "readings.csv"
    for left, added in ((1, 2), (2, 1), (3, 0)):
        table.write_bytes(b"".join(table.read_bytes().splitlines(keepends=True)[: left + 1]))
        assert merge(ours, theirs).readings == added
        assert len(list(Store(ours).readings(record.run_id))) == 3


@pytest.mark.parametrize("only", ["runs.csv", "readings.csv"])
def test_one_table_is_a_record_that_can_be_taken_in(ours: Path, theirs: Path, only: str) -> None:
    a_run(theirs)
    for table in {"runs.csv", "readings.csv"} - {only}:
        (theirs / table).unlink()
    added = merge(ours, theirs)
    assert (added.runs, added.readings) == ((1, 0) if only == "runs.csv" else (0, 1))


def test_a_merge_that_broke_off_before_the_rows_still_knows_whose_files_are_later(
    ours: Path, theirs: Path
) -> None:
    record = Store(theirs).start(RunInfo("A-1", "Demo 2x40", "acceptance"))
    merge(ours, theirs)
    for table in ours.glob("*.csv"):
        table.unlink()  # the files had been copied, and no row yet
    record.finish(Disposition.HOLD, "done")
    merge(ours, theirs)
    assert names(ours / record.run_id) == names(theirs / record.run_id)
    for name in names(theirs / record.run_id):
        assert (ours / record.run_id / name).read_bytes() == (
            theirs / record.run_id / name
        ).read_bytes()


def test_files_of_one_length_and_date_are_compared_by_what_they_hold(
    ours: Path, theirs: Path
) -> None:
    """A copy keeps the date, and some disks know dates to two seconds only."""
    run_id = a_run(theirs)
    merge(ours, theirs)
    for folder, text in ((ours, "pass"), (theirs, "fail")):
        report = folder / run_id / "report.html"
        report.write_text(text, encoding="utf-8")
        os.utime(report, (1_778_500_000, 1_778_500_000))
    assert merge(ours, theirs).files == 1
    kept = sorted((ours / run_id).glob("report*.html"), key=lambda p: len(p.name))
    assert [p.read_text("utf-8") for p in kept] == ["pass", "fail"]
    assert len(kept[1].name) == len("report.01234567.html")


def test_a_marked_copy_is_compared_with_the_file_that_stays_beside_it(
    ours: Path, theirs: Path, tmp_path: Path, mocker: MockerFixture
) -> None:
    """Theirs ended the run and still has what ours wrote before: it has it afterwards, too."""
    run_id = a_run(tmp_path / "begun", ended=False)
    for folder in (ours, theirs):
        shutil.copytree(tmp_path / "begun", folder)
        (folder / run_id / "report.html").write_text(folder.name, encoding="utf-8")
    merge(theirs, ours)  # neither has its end: both reports are kept
    ended = Store(theirs).runs_table
    with ended.path.open("ab") as file:
        row = ended.path.read_bytes().splitlines()[-1].split(b",")
        row[2], row[9], row[10] = row[1], b"hold", b"done"
        file.write(b",".join(row) + b"\r\n")
    walk = Path.rglob
    mocker.patch.object(
        Path, "rglob", lambda path, what: sorted(walk(path, what), key=lambda p: p.name)
    )
    merge(ours, theirs)
    texts = {p.read_text("utf-8") for p in (ours / run_id).glob("report*.html")}
    assert texts == {"ours", "theirs"}
    assert (ours / run_id / "report.html").read_text("utf-8") == "theirs"


@pytest.mark.parametrize("link", ["run", "cases", "photos", "traces", "the results"])
def test_what_lies_behind_a_link_is_not_taken_along_and_a_link_that_was_named_is(
    ours: Path, theirs: Path, tmp_path: Path, link: str
) -> None:
    run_id = a_run(theirs)
    Cases(Store(theirs)).add_photo("A-1", b"not looked at here")
    whole = {p.relative_to(theirs) for p in theirs.rglob("*") if p.is_file()}
    path = {
        "run": theirs / run_id,
        "cases": theirs / "cases",
        "photos": theirs / "cases" / "photos",
        "traces": theirs / run_id / "traces",
        "the results": theirs,
    }[link]
    path.rename(tmp_path / "elsewhere")
    path.symlink_to(tmp_path / "elsewhere")
    merge(ours, theirs)
    behind = {p for p in whole if path in (theirs / p).parents and link != "the results"}
    assert bool(behind) is (link != "the results")
    copied = {p.relative_to(ours) for p in ours.rglob("*") if p.is_file()}
    assert copied - {Path(".lock")} == whole - behind - {Path(".lock")}


def test_what_cannot_be_compared_or_copied_is_told_with_its_file(
    ours: Path, theirs: Path, mocker: MockerFixture
) -> None:
    run_id = a_run(theirs)
    merge(ours, theirs)
    refused = PermissionError(13, "Permission denied")
    compared = mocker.patch.object(filecmp, "cmp", side_effect=refused)
    with pytest.raises(RecordError) as told:
        merge(ours, theirs)
    assert told.value.found == "comparing a file of the run failed: Permission denied"
    assert told.value.where == str(theirs / run_id / "budgets.jsonl")
    mocker.stop(compared)
    shutil.rmtree(ours / run_id)
    mocker.patch.object(shutil, "copy2", side_effect=refused)
    with pytest.raises(RecordError, match="copying a file of the run failed: Permission denied"):
        merge(ours, theirs)


def test_a_file_in_place_of_the_results_is_told_before_anything_else(
    tmp_path: Path, theirs: Path
) -> None:
    a_run(theirs)
    (tmp_path / "a file").write_text("", encoding="utf-8")
    with pytest.raises(RecordError) as told:
        merge(tmp_path / "a file", theirs)
    assert told.value.found == "making the results folder failed: File exists"
    assert told.value.hint == (
        "a file stands where a folder is wanted: move it, or choose another folder"
    )


def test_a_row_of_no_run_is_told_with_its_line(ours: Path, theirs: Path) -> None:
    run_id = a_run(theirs)
    table = theirs / "readings.csv"
    table.write_text(table.read_text("utf-8").replace(run_id, "x" * 70), "utf-8", newline="")
    with pytest.raises(RecordError) as told:
        merge(ours, theirs)
    assert told.value.found == f"line 2 has the run id {'x' * 60!r}"
    assert told.value.where == str(table)
