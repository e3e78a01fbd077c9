"""A table to the byte: where lines begin and end, whose file it is, who may write, what is told."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from filelock import FileLock, Timeout
from pytest_mock import MockerFixture

from seqrun.record import RecordError, RecordLocked
from seqrun.record import table as tables
from seqrun.record.table import LOCK_TIMEOUT_S, LONGEST_CELL, Lock, Patience, Table

COLUMNS = ("run_id", "note")
HEADER = b"run_id,note\r\n"
WHOLE = HEADER + b"1,first\r\n2,second\r\n"


@pytest.fixture
def table(tmp_path: Path) -> Table:
    return Table(tmp_path / "t.csv", COLUMNS, Lock(tmp_path))


def told(table: Table) -> RecordError:
    """What a reader is told of it."""
    with pytest.raises(RecordError) as refused:
        list(table.rows())
    return refused.value


# --- where lines begin ----------------------------------------------------------------------------


@pytest.mark.parametrize("block", [1, 2, 3, 7, 8, 9, 10, 1 << 16])
@pytest.mark.parametrize("torn", [b"3", b'3,"third', b"3" + b"\0" * 9])
def test_a_torn_line_is_found_in_whatever_pieces_the_file_is_read(
    table: Table, monkeypatch: pytest.MonkeyPatch, block: int, torn: bytes
) -> None:
    monkeypatch.setattr(tables, "_BLOCK", block)
    table.path.write_bytes(WHOLE + torn)
    assert table.torn_at() == len(WHOLE)
    assert table.append([["3", "again"]]) == len(WHOLE)
    assert table.path.read_bytes() == WHOLE + b"3,again\r\n"


def test_rows_begin_where_writing_them_said_and_end_as_the_last_one_did(table: Table) -> None:
    assert table.append([]) == len(HEADER)
    assert table.append([["1", "first"], ["2", "second"]]) == len(HEADER)
    assert table.append([["3", "third"]]) == len(WHOLE)
    for cut, begin in ((1, len(WHOLE)), (2, len(WHOLE))):  # its line end, or half of it
        table.path.write_bytes(WHOLE[:-cut])
        assert table.append([["3", "third"]]) == begin
        assert table.path.read_bytes() == WHOLE + b"3,third\r\n"


def test_a_row_of_its_own_cells_alone_with_nothing_behind_it_is_whole(table: Table) -> None:
    table.path.write_bytes(HEADER + b"1,first\r\n2,se\0\0\0\0")  # a cut that left zeros
    assert table.torn_at() == len(HEADER + b"1,first\r\n")
    assert [cells for _, cells in table.rows()] == [["1", "first"]]


def test_line_numbers_are_those_that_an_editor_shows(table: Table) -> None:
    table.path.write_bytes(HEADER + b"1,first\r\n\r\n\n2,second\r\n3,third\r\n")
    assert list(table.rows()) == [(2, ["1", "first"]), (5, ["2", "second"]), (6, ["3", "third"])]
    assert list(table.rows("2")) == [(5, ["2", "second"])]
    table.path.write_bytes(HEADER + b"1,first\r\n\r\n2,second,more\r\n")
    refused = told(table)
    assert (refused.found, refused.expected) == ("line 4 has 3 cells", "2 cells")
    assert refused.where == str(table.path)
    assert refused.hint == "it was edited by hand: mend that line"


def test_an_id_is_not_found_in_one_that_only_begins_alike(table: Table) -> None:
    table.append([["run-1", "a"], ["run-10", "b"], ["run-1", "c"]])
    assert [cells[1] for _, cells in table.rows("run-1")] == ["a", "c"]


def test_letters_of_another_encoding_are_shown_and_stop_nobody(table: Table) -> None:
    table.path.write_bytes(HEADER + b"1,22 \xb0C\r\n")
    assert [cells for _, cells in table.rows()] == [["1", "22 \\xb0C"]]


# --- whose file it is -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "other",
    [b"serial,text\r\n1,first\r\n", b"a list of shopping", b"run_id,note,more\r\n", b"run_id\r\n"],
)
def test_a_file_with_other_columns_is_neither_read_nor_written(table: Table, other: bytes) -> None:
    table.path.write_bytes(other)
    with pytest.raises(RecordError) as refused:
        table.append([["1", "first"]])
    first = other.split(b"\r\n")[0].decode()
    assert refused.value.found == f"the table has other columns: {first!r}"
    assert refused.value.expected == "run_id, note"
    assert refused.value.hint == "move the file away, or choose another --results folder"
    assert table.path.read_bytes() == other
    assert [p.name for p in table.path.parent.iterdir() if p.suffix == ".txt"] == []
    if other.endswith(b"\n"):
        assert "other columns" in told(table).found
        with pytest.raises(RecordError, match="other columns"):
            table.torn_at()


def test_a_folder_in_place_of_a_table_is_told_by_whoever_looks(table: Table) -> None:
    table.path.mkdir()
    for look in (table.torn_at, lambda: list(table.rows())):
        with pytest.raises(RecordError) as refused:
            look()
        assert refused.value.found == "reading the record failed: Is a directory"
        assert refused.value.where == str(table.path)
    with pytest.raises(RecordError, match="writing the record failed: Is a directory"):
        table.append([["1", "first"]])


@pytest.mark.parametrize(("length", "shown"), [(80, 80), (81, 80)])
def test_of_a_long_header_so_much_is_shown_as_tells_whose_it_is(
    table: Table, length: int, shown: int
) -> None:
    table.path.write_bytes(b"x" * length + b"\r\n")
    assert told(table).found == f"the table has other columns: {'x' * shown!r}"


# --- long cells -----------------------------------------------------------------------------------


@pytest.fixture
def library_limit() -> Iterator[None]:
    """The CSV library keeps one limit for the whole program."""
    before = csv.field_size_limit(131_072)
    yield
    csv.field_size_limit(before)


@pytest.mark.usefixtures("library_limit")
def test_a_note_as_long_as_the_limit_is_read_and_a_longer_one_named(
    table: Table, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert LONGEST_CELL == 16_777_216
    table.append([["1", "x" * 200_000]])
    assert [len(cells[1]) for _, cells in table.rows()] == [200_000]
    monkeypatch.setattr(tables, "LONGEST_CELL", 200_000)
    assert len(list(table.rows())) == 1
    monkeypatch.setattr(tables, "LONGEST_CELL", 199_999)
    refused = told(table)
    assert refused.found == "line 2: field larger than field limit (199999)"
    assert refused.expected == "cells of at most 199999 characters"


# --- who may write --------------------------------------------------------------------------------


@dataclass
class Held:
    """A lock that somebody else holds, on a clock of its own."""

    now: float = 100.0
    asked: list[float] = field(default_factory=list)

    def acquire(self, timeout: float, poll_interval: float) -> None:
        assert 0.0 < poll_interval <= 0.01  # a writer holds it for milliseconds
        self.asked.append(timeout)
        self.now += timeout
        raise Timeout("")


@pytest.mark.parametrize(
    ("seconds", "asked"),
    [(0.0, [0.0]), (0.1, [0.1]), (0.25, [0.25]), (0.6, [0.25, 0.25, 0.1]), (60.0, [0.25] * 240)],
)
def test_who_waits_for_a_lock_looks_after_the_rest_four_times_a_second_and_ends_in_time(
    tmp_path: Path, mocker: MockerFixture, seconds: float, asked: list[float]
) -> None:
    held, looks = Held(), []
    mocker.patch.object(FileLock, "acquire", held.acquire)
    mocker.patch.object(tables.time, "monotonic", lambda: held.now)
    patience = Patience(seconds, lambda: looks.append(held.now))
    with pytest.raises(RecordLocked) as refused, Lock(tmp_path)(patience):
        pass
    assert held.asked == pytest.approx(asked)
    assert len(looks) == len(asked) - 1
    assert refused.value.found == f"another program has kept the record locked for {seconds:g} s"
    assert refused.value.where == str(tmp_path / ".lock")
    assert refused.value.hint == "see which seqrun hangs there, and end it"


def test_who_has_nothing_else_to_look_after_waits_as_long_as_the_lock_says(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    assert LOCK_TIMEOUT_S == 60.0
    held = Held()
    mocker.patch.object(FileLock, "acquire", held.acquire)
    mocker.patch.object(tables.time, "monotonic", lambda: held.now)
    for lock, most in ((Lock(tmp_path), LOCK_TIMEOUT_S), (Lock(tmp_path, 0.5), 0.5)):
        held.asked.clear()
        with pytest.raises(RecordLocked), lock():
            pass
        assert sum(held.asked) == pytest.approx(most)


def test_a_disk_that_cannot_lock_is_no_place_for_a_record(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    mocker.patch.object(FileLock, "acquire", side_effect=NotImplementedError)
    with pytest.raises(RecordError) as refused, Lock(tmp_path)():
        pass
    assert refused.value.found == (
        "this disk cannot lock files, so two benches could overwrite each other"
    )
    assert refused.value.hint == "choose a --results folder on a local disk"


def test_a_lock_is_held_as_long_as_its_outermost_user_and_let_go_of_after_an_error(
    tmp_path: Path,
) -> None:
    lock, other = Lock(tmp_path), Lock(tmp_path, timeout_s=0.0)
    with pytest.raises(ZeroDivisionError), lock():
        with lock():
            pass
        with pytest.raises(RecordLocked), other():
            pass
        raise ZeroDivisionError
    with other():
        pass
