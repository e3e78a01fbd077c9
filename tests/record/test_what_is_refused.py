"""What a record does not take, what it cannot write, and what it says of it."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from seqrun.errors import UsageError
from seqrun.record import RecordError, RunInfo, Store
from seqrun.record import table as tables
from seqrun.record.answer import HELD_FOR, answer
from seqrun.record.cells import from_utc
from seqrun.record.messages import MessageFile
from seqrun.record.places import FACTS
from seqrun.record.plain import read_json
from seqrun.record.seal import file_digest
from seqrun.record.table import TORN_NAME, Lock, Table
from seqrun.record.traces import write_trace
from seqrun.values import Disposition, Judged, Reading, Verdict

WHY = "the sensor was off and is back"


def held(folder: Path, serial: str = "A-1", alone: bool = True) -> str:
    record = Store(folder).start(RunInfo(serial, "Demo 2x40", "acceptance"))
    if alone:
        record.facts({HELD_FOR: {"title": "a sensor that fell off", "reason": "all met"}})
    record.finish(Disposition.HOLD, "all met; held")
    return record.run_id


def accepted(folder: Path, serial: str = "A-1") -> str:
    record = Store(folder).start(RunInfo(serial, "Demo 2x40", "acceptance"))
    record.finish(Disposition.ACCEPT, "all met")
    return record.run_id


def test_a_run_that_does_not_say_so_is_not_a_simulated_one() -> None:
    assert not RunInfo("A-1", "Demo 2x40", "acceptance").simulated


def test_a_later_accepted_run_of_the_same_unit_answers(tmp_path: Path) -> None:
    run_id = held(tmp_path)
    shown = accepted(tmp_path)
    row = answer(tmp_path, run_id, f" {WHY} ", "N. N.", shown)
    assert row.disposition is Disposition.ACCEPT
    assert row.reason == (
        f"all met; 'a sensor that fell off' was answered by N. N.: {WHY}, as run {shown} shows"
    )
    assert Store(tmp_path).verify(run_id) == {run_id: ()}


def test_another_unit_an_earlier_run_or_one_that_was_held_shows_nothing(tmp_path: Path) -> None:
    earlier = accepted(tmp_path)
    run_id = held(tmp_path)
    for other in (earlier, accepted(tmp_path, "B-2"), held(tmp_path), run_id):
        with pytest.raises(UsageError, match=f"run {other} is of"):
            answer(tmp_path, run_id, WHY, "N. N.", other)
    assert Store(tmp_path).run(run_id).disposition is Disposition.HOLD


def test_a_run_that_more_than_a_finding_holds_is_not_answered(tmp_path: Path) -> None:
    run_id = held(tmp_path, alone=False)
    with pytest.raises(RecordError, match="not held for a finding alone"):
        answer(tmp_path, run_id, WHY, "N. N.")
    for why, by in (("all is well now", ""), ("two words", "N. N.")):
        with pytest.raises(UsageError, match="at least 3 words"):
            answer(tmp_path, run_id, why, by)


def test_an_answer_of_three_words_by_somebody_goes_on_record_beside_what_was_there(
    tmp_path: Path,
) -> None:
    info = RunInfo("A-1", "Demo 2x40", "acceptance", "B", "Corner bench", "N. N.", True, "0.2.0")
    record = Store(tmp_path).start(info, datetime(2026, 5, 11, 9, 30, tzinfo=UTC))
    record.facts({HELD_FOR: {"title": "a sensor that fell off", "reason": "all met"}, "kept": 1})
    record.finish(Disposition.HOLD, "all met; held", datetime(2026, 5, 11, 10, 0, tzinfo=UTC))
    before = Store(tmp_path).run("last")
    after = answer(tmp_path, "last", "sensor put back", "the owner")
    reason = "all met; 'a sensor that fell off' was answered by the owner: sensor put back"
    assert after == replace(before, disposition=Disposition.ACCEPT, reason=reason)
    assert len((tmp_path / "runs.csv").read_bytes().splitlines()) == 4  # header, start, both ends
    facts = read_json(record.folder / FACTS)
    assert (facts["run"]["disposition"], facts["run"]["reason"]) == ("accept", reason)
    assert facts["run"]["ended"] == "2026-05-11T10:00:00.000Z"
    said = facts["answer"]
    assert from_utc(said.pop("time")) is not None
    assert said == {"why": "sensor put back", "by": "the owner", "measured": ""}
    assert facts["kept"] == 1


def test_why_a_run_is_not_answered_is_told_with_what_would_do(tmp_path: Path) -> None:
    run_id, earlier = held(tmp_path), accepted(tmp_path, "B-2")
    with pytest.raises(UsageError) as refused:
        answer(tmp_path, run_id, "two words", "N. N.")
    assert refused.value.found == "'two words' by 'N. N.'"
    assert refused.value.expected == "a reason of at least 3 words, and who gives it"
    with pytest.raises(UsageError) as refused:
        answer(tmp_path, run_id, WHY, "N. N.", earlier)
    assert refused.value.found == f"run {earlier} is of B-2, accept"
    assert refused.value.expected == "a later, accepted run of A-1"
    with pytest.raises(RecordError) as lacks:
        answer(tmp_path, earlier, WHY, "N. N.")
    assert lacks.value.found == "it is not held for a finding alone: accept, all met"
    assert lacks.value.where == earlier


def test_a_run_that_began_in_the_same_moment_is_no_later_one(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    moment = datetime(2026, 5, 11, 9, 30, tzinfo=UTC)
    clock = mocker.patch("seqrun.record.store.datetime")
    clock.now.return_value = moment
    run_id, other = held(tmp_path), accepted(tmp_path)
    with pytest.raises(UsageError, match="a later, accepted run"):
        answer(tmp_path, run_id, WHY, "N. N.", other)


def test_a_run_that_nobody_knows_the_beginning_of_is_not_answered(tmp_path: Path) -> None:
    record = Store(tmp_path).start(RunInfo("A-1", "m", "s"), datetime(2026, 5, 11, tzinfo=UTC))
    record.facts({HELD_FOR: {"title": "x", "reason": "all met"}})
    record.finish(Disposition.HOLD, "all met; held")
    table = tmp_path / "runs.csv"
    text = table.read_text("utf-8").replace(",2026-05-11T00:00:00.000Z,", ",,")
    table.write_text(text, "utf-8", newline="")
    with pytest.raises(RecordError) as refused:
        answer(tmp_path, record.run_id, WHY, "N. N.")
    assert refused.value.found == "its times cannot be read"
    assert refused.value.where == record.run_id


def test_a_trace_has_a_column_and_each_a_name(tmp_path: Path) -> None:
    for columns in ({}, {"": [0.0]}, {"time_s": [0.0], "": [0.0]}):
        with pytest.raises(UsageError, match="at least one column"):
            write_trace(tmp_path / "t.csv", columns)


def test_a_folder_in_place_of_a_file_is_told_as_a_record_that_cannot_be_kept(
    tmp_path: Path,
) -> None:
    with pytest.raises(RecordError):
        MessageFile(tmp_path)
    with pytest.raises(RecordError):
        file_digest(tmp_path)


def test_a_run_whose_folder_cannot_be_made_does_not_start(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    store = Store(tmp_path)
    mocker.patch.object(Path, "mkdir", side_effect=PermissionError(13, "no"))
    with pytest.raises(RecordError):
        store.start(RunInfo("A-1", "Demo 2x40", "acceptance"))


def test_no_folder_of_results_holds_no_runs(tmp_path: Path) -> None:
    assert Store(tmp_path / "none").folders() == []


def test_a_table_that_is_not_there_or_has_half_a_header_is_torn_at_its_beginning(
    tmp_path: Path,
) -> None:
    table = Table(tmp_path / "t.csv", ("run_id", "note"), Lock(tmp_path))
    assert table.torn_at() == 0
    table.path.write_bytes(b"run_i")
    assert table.torn_at() == 0
    table.path.write_bytes(b"run_id,note\r\n1,first\r\n")
    assert table.torn_at() is None
    table.path.write_bytes(b'run_id,note\r\n1,first\r\n2,"sec')
    assert table.torn_at() == len(b"run_id,note\r\n1,first\r\n")


@pytest.mark.parametrize(
    ("torn", "aside"),
    [
        (b"", []),
        (b"run_id,no", []),  # a header that was cut: it is written anew
        (b"\0\0\0\0", []),  # as a power cut leaves it
        (b"run_id,note\r\n1,first\r\n\0\0", []),
        (b'run_id,note\r\n1,first\r\n2,"sec', ['2,"sec']),
    ],
)
def test_what_was_torn_is_put_aside_where_it_is_worth_something(
    tmp_path: Path, torn: bytes, aside: list[str]
) -> None:
    table = Table(tmp_path / "t.csv", ("run_id", "note"), Lock(tmp_path))
    if torn:
        table.path.write_bytes(torn)
    table.append([["3", "third"]])
    lines = table.path.read_text(encoding="utf-8").splitlines()
    assert lines == ["run_id,note", *(["1,first"] if b"first" in torn else []), "3,third"]
    kept = tmp_path / TORN_NAME
    told = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []
    assert len(told) == len(aside)
    assert all(f"t.csv: {one!r}" in line for one, line in zip(aside, told, strict=True))


def test_where_there_is_a_file_for_a_folder_nothing_is_locked(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("", encoding="utf-8")
    with pytest.raises(RecordError, match="locking the record"), Lock(tmp_path / "results")():
        pass


def test_a_new_table_is_known_to_its_folder_before_its_first_row_is_shown(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    """A power cut must not lose the file's name with the row in it."""
    synced = mocker.spy(tables, "sync_folder")
    table = Table(tmp_path / "t.csv", ("run_id", "note"), Lock(tmp_path))
    table.append([["1", "first"]])
    assert synced.call_count == 1
    table.append([["2", "second"]])
    assert synced.call_count == 1


def test_a_row_that_does_not_reach_the_disk_takes_no_earlier_one_with_it(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    table = Table(tmp_path / "t.csv", ("run_id", "note"), Lock(tmp_path))
    table.path.write_bytes(b"run_id,note\r\n1,first")  # only its line end is missing
    mocker.patch("os.fsync", side_effect=OSError(28, "No space left on device"))
    with pytest.raises(RecordError):
        table.append([["2", "second"]])
    assert table.path.read_bytes() == b"run_id,note\r\n1,first\r\n"


def test_a_run_whose_beginning_was_cut_out_of_the_table_is_held(tmp_path: Path) -> None:
    store = Store(tmp_path)
    record = store.start(RunInfo("A-1", "Demo 2x40", "acceptance"))
    header = store.runs_table.path.read_bytes().splitlines(keepends=True)[0]
    store.runs_table.path.write_bytes(header)
    with pytest.raises(RecordError, match="start of the run was gone"):
        record.finish(Disposition.ACCEPT, "all met")
    assert store.run(record.run_id).disposition is Disposition.HOLD


def test_a_run_whose_folder_was_removed_still_ends_on_record(tmp_path: Path) -> None:
    store = Store(tmp_path)
    record = store.start(RunInfo("A-1", "Demo 2x40", "acceptance"))
    shutil.rmtree(record.folder)
    with pytest.raises(RecordError):
        record.finish(Disposition.ACCEPT, "all met")
    assert store.run(record.run_id).disposition is Disposition.HOLD
    assert (record.folder / "run.json").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_log_that_cannot_be_written_ends_the_run_at_its_next_reading(tmp_path: Path) -> None:
    import os

    record = Store(tmp_path).start(RunInfo("A-1", "Demo 2x40", "acceptance"))
    log = record.message_log()
    log("supply", ">", "*RST")
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, log._file.fileno())
    os.close(full)
    one = Judged(Reading("n", "", 1.0), "count", None, "simple", Verdict.NONE, None)
    with pytest.raises(RecordError, match="message log"):
        record.reading(one)
    assert log.failure is not None
    log.close()
    log.flush()  # whoever comes late does no harm


def test_a_message_is_on_disk_with_the_reading_that_it_led_to(tmp_path: Path) -> None:
    record = Store(tmp_path).start(RunInfo("A-1", "Demo 2x40", "acceptance"))
    log = record.message_log()
    log("meter", ">", "READ?")
    record.reading(Judged(Reading("n", "", 1.0), "count", None, "simple", Verdict.NONE, None))
    assert "meter > READ?" in log.path.read_text()
    log.close()
    log.flush()
    assert log.failure is None
