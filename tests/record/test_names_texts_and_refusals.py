"""Names, cells and plain values to the letter, and what a person is told when a disk refuses."""

from __future__ import annotations

import errno
import math
import os
import re
from collections import namedtuple
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from pydantic import BaseModel
from pytest_mock import MockerFixture

from seqrun.errors import UsageError
from seqrun.record import MessageFile, RecordError, messages, read_trace
from seqrun.record.again import KEPT, READ_AGAIN
from seqrun.record.cells import from_flag, from_number, from_text, from_utc, number, text, utc
from seqrun.record.errors import from_os
from seqrun.record.places import free_path, is_run_id, new_run_id, run_folder, safe_name, time_of
from seqrun.record.plain import budget_line, budget_of_entry, plain, read_json, write_json
from seqrun.record.sounds import write_sound
from seqrun.record.traces import write_trace
from seqrun.values import Contribution, Source, Verdict

# --- what the operating system refuses ------------------------------------------------------------

SPACE = "free some space, then run it again"
RIGHTS = "give yourself the right to write there, or choose another --results folder"
FILE = "a file stands where a folder is wanted: move it, or choose another folder"
FOLDER = "a folder stands where a file is wanted: move it, or choose another folder"


@pytest.mark.parametrize(
    ("code", "hint"),
    [
        (errno.ENOSPC, SPACE),
        (errno.EDQUOT, SPACE),
        (errno.EFBIG, SPACE),
        (errno.EACCES, RIGHTS),
        (errno.EPERM, RIGHTS),
        (errno.EROFS, "it is a read-only disk: choose another --results folder"),
        (errno.ENOTDIR, FILE),
        (errno.EEXIST, FILE),
        (errno.EISDIR, FOLDER),
        (errno.EIO, None),
    ],
)
def test_each_refusal_of_a_disk_has_what_to_do_about_it(code: int, hint: str | None) -> None:
    told = from_os(OSError(code, os.strerror(code)), Path("a", "b.csv"), "writing the record")
    assert told.found == f"writing the record failed: {os.strerror(code)}"
    assert told.where == str(Path("a", "b.csv"))
    assert told.hint == hint


def test_a_refusal_without_a_number_is_told_as_it_is() -> None:
    told = from_os(OSError("I/O operation on closed file"), Path("x"), "writing a budget")
    assert told.found == "writing a budget failed: I/O operation on closed file"
    assert told.hint is None


# --- cells ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (np.float64(0.1), "0.1"),
        (-0.05, "-0.05"),
        (1e-6, "1e-06"),
        (3, "3.0"),
        (math.inf, ""),
        (math.nan, ""),
        (None, ""),
    ],
)
def test_a_number_is_written_plain_whatever_it_was(value: float | None, cell: str) -> None:
    assert number(value) == cell
    assert from_number(cell) == (float(cell) if cell else None)
    with pytest.raises(ValueError):
        from_number("much")


@pytest.mark.parametrize(
    ("told", "cell"),
    [
        ("-0.05", "-0.05"),
        ("+2.5e-3", "+2.5e-3"),
        ("-3.", "-3."),
        ("-.5", "'-.5"),
        ("-3 dB", "'-3 dB"),
        ("'=1", "''=1"),
        ("'quoted'", "'quoted'"),
        ("two\r\nlines\x85and\u2028more", "two lines and more"),
        ("\x1b[2Jgone", "[2Jgone"),
        (" \ud800 ", "\\ud800"),
        ("＝1", "'＝1"),
    ],
)
def test_a_text_is_one_line_that_is_no_formula(told: str, cell: str) -> None:
    assert text(told) == cell


def test_a_formula_that_a_hand_wrote_bare_is_read_as_it_stands() -> None:
    assert from_text("=1+1") == "=1+1"
    assert from_text("'quoted'") == "'quoted'"
    assert from_text("'=1+1") == "=1+1"
    assert from_text("''=1") == "'=1"


def test_times_are_utc_to_the_millisecond_and_none_is_none() -> None:
    summer = datetime(2026, 5, 11, 11, 30, 0, 123_999, timezone(timedelta(hours=2)))
    assert utc(summer) == "2026-05-11T09:30:00.123Z"
    assert from_utc("2026-05-11T09:30:00.123Z") == datetime(2026, 5, 11, 9, 30, 0, 123_000, UTC)
    assert from_utc("") is None
    with pytest.raises(ValueError) as refused:
        from_utc("at noon")
    assert str(refused.value) == "'at noon' is no time such as 2026-05-11T09:30:00.000Z"


def test_a_flag_that_is_neither_is_refused_as_it_stood() -> None:
    with pytest.raises(ValueError) as refused:
        from_flag("Yes")
    assert str(refused.value) == "'Yes' is neither true nor false"


def test_the_words_that_old_rows_hold_are_the_words_that_are_looked_for() -> None:
    """They stand in tables that nobody writes anew."""
    assert (READ_AGAIN, KEPT) == ("read_again", "kept from ")


# --- run ids and file names -----------------------------------------------------------------------

MOMENT = datetime(2026, 5, 11, 11, 30, 0, 123_999, timezone(timedelta(hours=2)))


@pytest.mark.parametrize(
    ("serial", "part"),
    [
        ("DEMO-001", "DEMO-001"),
        ("Ä 12 #3 (b)", "A_12_3_b"),
        ("左", "unit"),
        ("x" * 31, "x" * 31),
        ("x" * 33, "x" * 32),
    ],
)
def test_a_run_id_is_its_time_its_unit_and_six_digits(serial: str, part: str) -> None:
    run_id = new_run_id(serial, MOMENT)
    assert re.fullmatch(f"20260511T093000123Z-{part}-[0-9a-f]{{6}}", run_id)
    assert is_run_id(run_id)
    assert time_of(run_id) == datetime(2026, 5, 11, 9, 30, 0, 123_000, UTC)


def test_what_is_no_run_id_is_told_with_one_and_where_they_are_listed(tmp_path: Path) -> None:
    assert run_folder(tmp_path, "20260511T093000000Z-A-1-5f2a9c") == (
        tmp_path / "20260511T093000000Z-A-1-5f2a9c"
    )
    with pytest.raises(RecordError) as refused:
        run_folder(tmp_path, "../x")
    assert refused.value.found == "'../x' is not a run id"
    assert refused.value.expected == "an id such as 20260511T093000000Z-DEMO-001-5f2a9c"
    assert refused.value.where == str(tmp_path)
    assert refused.value.hint == (
        "'seqrun live' lists the runs, 'seqrun unit SERIAL' those of a unit"
    )
    with pytest.raises(ValueError, match="'last' is not a run id"):
        time_of("last")


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("sink rise.csv", "sink_rise.csv"),
        ("..", "_"),
        ("...hidden", "_hidden"),
        (".hidden", "hidden"),
        ("", "unnamed"),
        (".", "unnamed"),
        ("CON", "_CON"),
        ("com1.csv", "_com1.csv"),
        ("comic.csv", "comic.csv"),
        ("a" * 79 + "..b", "a" * 79 + "_"),
        ("a" * 79 + ".b", "a" * 79),
    ],
)
def test_a_file_name_says_what_it_was_and_leads_nowhere(name: str, safe: str) -> None:
    assert safe_name(name) == safe


def test_a_name_that_is_taken_is_counted_on(tmp_path: Path) -> None:
    found = []
    for _ in range(4):
        path = free_path(tmp_path / "run" / "traces", "heat", ".csv")
        path.write_text("", encoding="utf-8")
        found.append(path.name)
    assert found == ["heat.csv", "heat-2.csv", "heat-3.csv", "heat-4.csv"]
    with pytest.raises(RecordError, match="making a folder of the record failed: File exists"):
        free_path(path, "heat")


# --- plain values ---------------------------------------------------------------------------------


class Model(BaseModel):
    when: date
    word: Verdict


@dataclass
class Sensor:
    kind: Verdict


Pair = namedtuple("Pair", "one two")


@pytest.mark.parametrize(
    ("value", "is_plain"),
    [
        (True, True),
        (None, None),
        (Verdict.PASS, "pass"),
        (np.int64(3), 3),
        (np.float64(0.5), 0.5),
        (np.array([[1.0, math.nan]]), [[1.0, None]]),
        (-math.inf, None),
        (datetime(2026, 5, 11, 9, 30), "2026-05-11T09:30:00"),
        (datetime(2026, 5, 11, 9, 30, tzinfo=UTC), "2026-05-11T09:30:00.000Z"),
        (date(2026, 5, 11), "2026-05-11"),
        (Path("somewhere", "private", "unit.toml"), "unit.toml"),
        (Sensor, str(Sensor)),
        (Sensor(Verdict.FAIL), {"kind": "fail"}),
        (Model(when=date(2026, 5, 11), word=Verdict.FAIL), {"when": "2026-05-11", "word": "fail"}),
        (Pair(1, (2.0, "x")), {"one": 1, "two": [2.0, "x"]}),
        ({Verdict.PASS: {1: 2}}, {"pass": {"1": 2}}),
        (1 + 2j, "(1+2j)"),
    ],
)
def test_each_kind_of_value_has_one_plain_form(value: object, is_plain: object) -> None:
    found = plain(value)
    assert found == is_plain
    assert type(found) is type(is_plain)


def test_facts_are_text_that_a_person_can_read(tmp_path: Path) -> None:
    write_json(tmp_path / "run.json", {"load": "8 Ω", "rows": 2})
    assert (tmp_path / "run.json").read_text("utf-8") == '{\n  "load": "8 Ω",\n  "rows": 2\n}\n'


def test_a_number_that_json_lacks_never_gets_into_a_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError):
        write_json(tmp_path / "run.json", _Sly())
    with pytest.raises(ValueError):
        budget_line(0, "s", "q", [Contribution(Source("x", degrees_of_freedom=_Sly()), 0.1)])


class _Sly(float):
    """A number that is another when it is looked at again."""

    def __float__(self) -> float:
        return math.nan

    def __new__(cls) -> _Sly:
        return super().__new__(cls, 1.0)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes")
def test_a_pipe_in_place_of_a_file_is_told_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "run.json")
    with pytest.raises(RecordError) as refused:
        read_json(tmp_path / "run.json")
    assert (refused.value.found, refused.value.expected) == ("is a pipe or a device", "a file")
    assert refused.value.hint == "move it away, or choose another folder"


def test_a_budget_comes_back_line_for_line(tmp_path: Path) -> None:
    import json

    budget = (
        Contribution(Source("gain", "rectangular", math.inf, "instrument meter"), 0.1, -2.0),
        Contribution(Source("repeats", "t", 4.0), 0.2),
        Contribution(Source("unknown"), math.inf),
    )
    line = json.loads(budget_line(7, "rise", "sink_rise", budget))
    assert (line["reading"], line["step"], line["quantity"]) == (7, "rise", "sink_rise")
    assert line["contributions"] == [
        {
            "source": "gain",
            "distribution": "rectangular",
            "degrees_of_freedom": None,
            "standard_uncertainty": 0.1,
            "owner": "instrument meter",
            "sensitivity": -2.0,
        },
        {
            "source": "repeats",
            "distribution": "t",
            "degrees_of_freedom": 4.0,
            "standard_uncertainty": 0.2,
        },
        {
            "source": "unknown",
            "distribution": "normal",
            "degrees_of_freedom": None,
            "standard_uncertainty": None,
        },
    ]
    assert budget_of_entry(line) == budget


# --- logs, traces and sounds ----------------------------------------------------------------------


def test_a_line_of_the_log_is_its_time_instrument_direction_and_message(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    mocker.patch.object(messages.time, "perf_counter", side_effect=[100.0, 101.5, 1334.25])
    log = MessageFile(tmp_path / "messages.log")
    log("meter", ">", "READ?")
    log("meter", "<", "+1.0E0\n\xff")
    log.close()
    assert (
        log.path.read_bytes() == b"     1.5000 meter > READ?\n  1234.2500 meter < +1.0E0\\n\\xff\n"
    )


def test_nothing_that_was_kept_is_written_over(tmp_path: Path) -> None:
    for name in ("a.csv", "a.wav", "a.log"):
        (tmp_path / name).write_text("kept", encoding="utf-8")
    for write in (
        lambda: write_trace(tmp_path / "a.csv", {"time_s": [0.0]}),
        lambda: write_sound(tmp_path / "a.wav", np.zeros(4), 8000.0, 1.0),
        lambda: MessageFile(tmp_path / "a.log"),
    ):
        with pytest.raises(RecordError, match="failed: File exists"):
            write()
    assert {p.read_text("utf-8") for p in tmp_path.iterdir()} == {"kept"}


@pytest.mark.parametrize("columns", [{}, {"": [0.0]}, {"a_s": [0.0], " a_s": [0.0]}])
def test_columns_without_a_name_of_their_own_are_refused(
    tmp_path: Path, columns: dict[str, list[float]]
) -> None:
    with pytest.raises(UsageError) as refused:
        write_trace(tmp_path / "t.csv", columns)
    assert refused.value.found == f"columns {list(columns)}"
    assert refused.value.expected == (
        "at least one column, each with a name of its own that ends in its unit"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_trace_without_points_is_a_header_and_one_that_is_not_there_is_told(
    tmp_path: Path,
) -> None:
    write_trace(tmp_path / "t.csv", {"time_s": [], "out_v": np.array([])})
    assert (tmp_path / "t.csv").read_bytes() == b"time_s,out_v\r\n"
    assert {name: len(values) for name, values in read_trace(tmp_path / "t.csv").items()} == {
        "time_s": 0,
        "out_v": 0,
    }
    with pytest.raises(RecordError) as refused:
        read_trace(tmp_path / "none.csv")
    assert refused.value.found == "reading a trace failed: No such file or directory"
