"""A run is read where its folder says that its rows begin, and found wherever else they stand."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.record import RunInfo, Store, load_run, merge
from seqrun.record.seal import begin_of_run
from seqrun.record.table import Lock, Table
from seqrun.report.history.collect import unit_history
from seqrun.values import Disposition, Judged, Limit, Reading, Verdict

INFO = RunInfo("DEMO-001", "Demo 2x40", "acceptance")
OTHER = RunInfo("DEMO-002", "Demo 2x40", "acceptance")


def offset(volts: float) -> Judged:
    held = Reading("dc_offset", "V", volts)
    return Judged(held, "offset", Limit(-1.0, 1.0), "simple", Verdict.PASS, 1.0)


def done(folder: Path, info: RunInfo, *volts: float) -> str:
    with Store(folder).start(info) as record:
        for value in volts:
            record.reading(offset(value))
        record.finish(Disposition.ACCEPT, "all limits are met")
    return record.run_id


def values(folder: Path, name: str) -> list[float | None]:
    return [one.value for one in load_run(folder, name).judged]


def test_what_stands_before_a_run_and_behind_it_is_not_read_for_it(tmp_path: Path) -> None:
    done(tmp_path, OTHER, 0.1)
    first = done(tmp_path, INFO, 0.2, 0.3)
    done(tmp_path, OTHER, 0.4)
    table = tmp_path / "readings.csv"
    lines = table.read_bytes().splitlines(keepends=True)
    # of the same length, and no row of the table any more: whoever reads it stumbles
    lines[1] = lines[1].replace(b",", b";")
    lines[-1] = lines[-1].replace(b",", b";")
    table.write_bytes(b"".join(lines))
    assert [one.value for one in Store(tmp_path).readings(first)] == [0.2, 0.3]
    history = unit_history(Store(tmp_path), "DEMO-001")
    assert [list(trend.values) for trend in history.trends] == [[0.2, 0.3]]
    assert not history.lost


def test_rows_are_read_from_the_place_that_writing_them_told(tmp_path: Path) -> None:
    table = Table(tmp_path / "table.csv", ("run_id", "note"), Lock(tmp_path))
    table.append([["1", "first"]])
    begin = table.append([["1", "second"], ["1", "third"]])
    assert [row[1] for _, row in table.rows("1", begin=begin)] == ["second", "third"]
    for within in (begin - 1, begin + 1):  # where no line begins nothing is passed over
        assert [row[1] for _, row in table.rows("1", begin=within)] == ["first", "second", "third"]


def test_an_end_that_stands_before_its_start_is_the_end_all_the_same(tmp_path: Path) -> None:
    """Tables are put in another order by hand, or by a spreadsheet."""
    run_id = done(tmp_path, INFO, 0.1)
    newest_first(tmp_path / "runs.csv")
    assert Store(tmp_path).run(run_id).disposition is Disposition.ACCEPT
    with (tmp_path / "runs.csv").open("a", encoding="utf-8", newline="") as file:
        csv.writer(file).writerow(rows_of(tmp_path / "runs.csv")[-1])  # the start once more
    assert [run.disposition for run in Store(tmp_path).runs()] == [Disposition.ACCEPT]


def rows_of(table: Path) -> list[list[str]]:
    with table.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def newest_first(table: Path) -> None:
    head, *rows = rows_of(table)
    with table.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *reversed(rows)])


def all_in_quotes(table: Path) -> None:
    head, *rows = rows_of(table)
    with table.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerow(head)
        csv.writer(file, quoting=csv.QUOTE_ALL).writerows(rows)


def a_row_in_front(table: Path) -> None:
    lines = table.read_bytes().splitlines(keepends=True)
    table.write_bytes(b"".join([lines[0], lines[1].replace(b"DEMO-002", b"DEMO-003"), *lines[1:]]))


@pytest.mark.parametrize("hand", [newest_first, all_in_quotes, a_row_in_front])
def test_a_table_that_was_saved_again_still_has_the_whole_run(
    tmp_path: Path, hand: Callable[[Path], None]
) -> None:
    done(tmp_path, OTHER, 0.1, 0.5)  # rows of one length, so that a line begins in the same places
    name = done(tmp_path, INFO, 0.2, 0.3)
    done(tmp_path, OTHER, 0.4)
    hand(tmp_path / "readings.csv")
    found = load_run(tmp_path, name)
    assert {one.value for one in found.judged} == {0.2, 0.3}
    assert found.missing == ()
    assert not unit_history(Store(tmp_path), "DEMO-001").lost


def test_a_table_that_is_saved_again_in_mid_run_has_lost_nothing(tmp_path: Path) -> None:
    done(tmp_path, OTHER, 0.1, 0.5)
    with Store(tmp_path).start(INFO) as record:
        record.reading(offset(0.2))
        newest_first(tmp_path / "readings.csv")
        record.finish(Disposition.ACCEPT, "all limits are met")
    assert Store(tmp_path).run("last").disposition is Disposition.ACCEPT
    assert len(rows_of(tmp_path / "readings.csv")) == 4


def test_a_run_that_another_folder_has_taken_in_is_found_there(tmp_path: Path) -> None:
    name = done(tmp_path / "theirs", INFO, 0.2, 0.3)
    for _ in range(3):
        done(tmp_path / "ours", OTHER, 0.1)
    merge(tmp_path / "ours", tmp_path / "theirs")
    assert values(tmp_path / "ours", name) == [0.2, 0.3]
    assert load_run(tmp_path / "ours", name).missing == ()


def test_a_row_that_a_run_did_not_write_is_told(tmp_path: Path) -> None:
    done(tmp_path, OTHER, 0.1)
    name = done(tmp_path, INFO, 0.2)
    table = tmp_path / "readings.csv"
    last = table.read_bytes().splitlines(keepends=True)[-1]
    with table.open("ab") as file:
        file.write(last.replace(b",0.2,", b",0.1,"))
    assert "2 rows" in load_run(tmp_path, name).missing[0]


def test_a_copy_of_a_row_before_the_place_of_its_run_counts_nowhere(tmp_path: Path) -> None:
    other = done(tmp_path, OTHER, 0.1)
    name = done(tmp_path, INFO, 0.2)
    table = tmp_path / "readings.csv"
    header, _, own = table.read_bytes().splitlines(keepends=True)
    table.write_bytes(header + own + own)  # in place of the other run's, which is as long
    assert values(tmp_path, name) == [0.2]
    assert load_run(tmp_path, name).missing == ()
    assert load_run(tmp_path, other).missing != ()


def test_rows_that_are_gone_are_told_of_the_run_and_of_its_unit(tmp_path: Path) -> None:
    done(tmp_path, OTHER, 0.1)
    name = done(tmp_path, INFO, 0.2, 0.3)
    table = tmp_path / "readings.csv"
    table.write_bytes(b"".join(table.read_bytes().splitlines(keepends=True)[:-1]))
    assert "1 rows" in load_run(tmp_path, name).missing[0]
    assert name in unit_history(Store(tmp_path), "DEMO-001").lost[0]


@pytest.mark.parametrize(
    "told", [{"rows_begin": "900"}, {"rows_begin": -1}, {"rows": "2"}, {"rows": -2}, {"rows": True}]
)
def test_a_place_that_cannot_be_is_none(tmp_path: Path, told: dict[str, object]) -> None:
    done(tmp_path, OTHER, 0.1)
    name = done(tmp_path, INFO, 0.2, 0.3)
    path = tmp_path / name / "run.json"
    facts = json.loads(path.read_text(encoding="utf-8"))
    facts["record"] |= told
    path.write_text(json.dumps(facts), encoding="utf-8")
    assert begin_of_run(tmp_path / name) == 0
    assert values(tmp_path, name) == [0.2, 0.3]
