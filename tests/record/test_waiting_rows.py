"""Rows that waited for a lock go into the table once each, however often the taking-in is begun."""

from __future__ import annotations

from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from seqrun.record import RecordError
from seqrun.record.table import Lock, Table
from seqrun.record.waiting import put_beside, take_in

COLUMNS = ("run_id", "note")
FIRST, AGAIN, OTHER = ["run-1", "5 mV"], ["run-1", "5 mV"], ["run-1", "7 mV"]


@pytest.fixture
def table(tmp_path: Path) -> Table:
    return Table(tmp_path / "readings.csv", COLUMNS, Lock(tmp_path))


@pytest.mark.parametrize(
    ("there", "waiting"),
    [
        ([], [FIRST, OTHER]),
        ([FIRST], [FIRST, OTHER]),  # broken off after the first
        ([FIRST, OTHER], [FIRST, OTHER]),  # broken off before the waiting ones were put away
        ([FIRST], [FIRST, AGAIN]),  # two equal readings are two
        ([FIRST, AGAIN], [FIRST, AGAIN]),  # and broken off behind both, they stay two
        ([["run-2", "5 mV"]], [FIRST]),  # another run's
    ],
)
def test_every_row_that_waited_is_in_the_table_once(
    tmp_path: Path, table: Table, there: list[list[str]], waiting: list[list[str]]
) -> None:
    folder = tmp_path / "run-1"
    folder.mkdir()
    if there:
        table.append(there)
    for row in waiting:
        path = put_beside(folder, table, row)
    assert take_in(folder, table) == len(waiting)
    own = [row for _, row in table.rows() if row[0] == "run-1"]
    assert sorted(own) == sorted(waiting)
    assert not path.exists()
    assert take_in(folder, table) == 0


def test_rows_that_cannot_be_put_away_are_told_and_go_in_once_all_the_same(
    tmp_path: Path, table: Table, mocker: MockerFixture
) -> None:
    folder = tmp_path / "run-1"
    folder.mkdir()
    put_beside(folder, table, FIRST)
    refused = mocker.patch.object(Path, "unlink", side_effect=PermissionError(13, "refused"))
    with pytest.raises(RecordError):
        take_in(folder, table)
    mocker.stop(refused)
    assert take_in(folder, table) == 1
    assert take_in(folder, table) == 0
    assert [row for _, row in table.rows()] == [FIRST]
