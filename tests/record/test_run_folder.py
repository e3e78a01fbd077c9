"""What a run keeps in its folder, and what is read back from it."""

from __future__ import annotations

import json
import math
import os
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture
from uncertainties import ufloat

from seqrun.errors import UsageError
from seqrun.judge import decide
from seqrun.record import RecordError, RunInfo, RunRecord, Store, load_run, read_trace
from seqrun.record.load import _listed
from seqrun.record.messages import MessageFile
from seqrun.record.places import run_folder, safe_name
from seqrun.record.plain import merged, plain, read_json, write_json
from seqrun.record.table import sync_folder
from seqrun.values import Contribution, Disposition, Judged, Limit, Reading, Source

INFO = RunInfo("DEMO-001", "Demo 2x40", "acceptance", "A", "Corner bench", "", True, "0.1.0")


def rise(kelvin: float) -> Judged:
    budget = (
        Contribution(Source("sensor tolerance", "rectangular"), 0.2),
        Contribution(Source("fit", "t", 12.0), 0.1),
    )
    held = Reading("sink_rise", "K", kelvin, budget, instruments=("meter",))
    return decide(held, Limit(high=40.0), "guarded", "rise")


@pytest.fixture
def record(tmp_path: Path) -> RunRecord:
    return Store(tmp_path).start(INFO)


def test_a_run_comes_back_with_everything_a_report_needs(tmp_path: Path, record: RunRecord) -> None:
    made = [rise(21.0), rise(39.9)]
    for judged in made:
        record.reading(judged)
    record.facts({"conditions": {"ambient_c": 21.5}, "decision": "guarded"})
    record.facts({"conditions": {"mains": "isolated"}})
    record.trace("heat", {"time_s": [0.0, 1.0], "sink_k": [0.0, 0.5]})
    record.keep_text("bench.toml", 'name = "Corner bench"\n')
    record.message_log()("supply", ">", "*IDN?")
    record.finish(Disposition.HOLD, "conditional pass: rise 39.9 K")
    data = load_run(tmp_path, record.run_id)
    assert data.judged == tuple(made)
    assert data.run.disposition is Disposition.HOLD
    assert data.facts["conditions"] == {"ambient_c": 21.5, "mains": "isolated"}
    assert data.facts["run"]["disposition"] == "hold"
    assert [t.name for t in data.traces] == ["heat"]
    assert [p.name for p in data.files] == ["bench.toml"]
    assert data.messages is not None


def test_without_its_budget_a_reading_keeps_its_expanded_uncertainty(
    tmp_path: Path, record: RunRecord
) -> None:
    judged = rise(21.0)
    record.reading(judged)
    record.finish(Disposition.ACCEPT, "met")
    (record.folder / "budgets.jsonl").write_text('{"torn')
    (again,) = load_run(tmp_path, "last").judged
    expected = judged.reading.expanded_uncertainty
    assert again.reading.expanded_uncertainty == pytest.approx(expected)


def test_traces_are_plain_numbers_in_columns_named_with_their_unit(record: RunRecord) -> None:
    path = record.trace("wave", {"time_s": np.array([0.0, 1e-6]), "out_v": [1 / 3, math.nan]})
    assert path.read_bytes() == b"time_s,out_v\r\n0.0,0.3333333333333333\r\n1e-06,\r\n"
    again = read_trace(path)
    assert again["out_v"][0] == pytest.approx(1 / 3, rel=1e-15)
    assert math.isnan(again["out_v"][1])


def test_traces_of_one_name_are_all_kept(record: RunRecord) -> None:
    paths = {record.trace("heat", {"time_s": [float(n)]}) for n in range(3)}
    assert [p.name for p in sorted(paths)] == ["heat-2.csv", "heat-3.csv", "heat.csv"]


def test_columns_of_different_length_are_refused(record: RunRecord) -> None:
    with pytest.raises(UsageError, match="time_s 2, sink_k 1"):
        record.trace("heat", {"time_s": [0.0, 1.0], "sink_k": [0.0]})


def test_messages_are_on_disk_after_an_abort_one_a_line(tmp_path: Path) -> None:
    record = Store(tmp_path).start(INFO)
    log = record.message_log()
    for n in range(1000):
        log("meter", "<", f"+{n}.0E-03\n")
    record.finish(Disposition.ABORTED, "interrupted")
    log("meter", ">", "READ?")  # a late message is dropped, not an error
    lines = (record.folder / "messages.log").read_text("utf-8").splitlines()
    assert len(lines) == 1000
    assert lines[7].endswith(r"meter < +7.0E-03\n")


@pytest.mark.parametrize(
    "name", ["../../x", "/etc/passwd", "..", ".", "", "con", "a/b\\c", "NUL.csv", "é\0", "." * 300]
)
def test_no_name_leads_out_of_the_run_folder(record: RunRecord, name: str) -> None:
    for path in (record.trace(name, {"time_s": [0.0]}), record.keep_text(name, "x")):
        assert path.resolve().parent.parent == record.folder.resolve()
        assert path.is_file()


def test_a_name_is_as_long_as_disks_and_archives_take() -> None:
    assert [len(safe_name("a" * n)) for n in (79, 80, 81, 300)] == [79, 80, 80, 80]


@given(st.text())
def test_a_safe_name_is_one_part_of_a_path(text: str) -> None:
    name = safe_name(text)
    assert name
    assert not name.startswith(".")
    assert not set(name) & set('/\\:*?"<>|\0 ')
    assert len(name) <= 81
    assert ".." not in name


def test_a_copy_is_kept_of_each_file_that_was_used(tmp_path: Path, record: RunRecord) -> None:
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "unit.toml").write_text(folder)
        record.keep(tmp_path / folder / "unit.toml")
    kept = record.folder / "files"
    assert (kept / "unit.toml").read_text() == "one"
    assert (kept / "unit-2.toml").read_text() == "two"
    with pytest.raises(RecordError, match="keeping a copy"):
        record.keep(tmp_path / "gone.toml")


class Kind(StrEnum):
    SINK = "sink"


@dataclass
class Sensor:
    kind: Kind
    calibrated: date


def test_facts_of_every_kind_become_plain_json(record: RunRecord) -> None:
    record.facts(
        {
            "sensor": Sensor(Kind.SINK, date(2026, 5, 11)),
            "when": datetime(2026, 5, 11, 9, 30, tzinfo=UTC),
            "fit": {"end_k": ufloat(31.5, 0.25), "points": np.arange(3)},
            "nothing": math.nan,
            "path": Path("/somewhere/private/bench.toml"),
            "set": (1, True, None),
        }
    )
    found = json.loads((record.folder / "run.json").read_text("utf-8"))
    assert found["sensor"] == {"kind": "sink", "calibrated": "2026-05-11"}
    assert found["when"] == "2026-05-11T09:30:00.000Z"
    assert found["fit"] == {
        "end_k": {"value": 31.5, "standard_uncertainty": 0.25},
        "points": [0, 1, 2],
    }
    assert found["nothing"] is None
    assert found["path"] == "bench.toml"
    assert found["set"] == [1, True, None]


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@given(json_like)
@settings(max_examples=40)
def test_whatever_is_plain_can_be_written_as_strict_json(value: object) -> None:
    json.dumps(plain(value), allow_nan=False)


def test_a_file_of_facts_is_whole_lines_of_text_and_replaces_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "run.json"
    for number in (1, 2):
        write_json(path, {"n": number, "Ω": [8.0, None]})
    text = path.read_text(encoding="utf-8")
    assert text.endswith("\n}\n")
    assert "Ω" in text
    assert read_json(path) == {"n": 2, "Ω": [8.0, None]}
    assert [one.name for one in tmp_path.iterdir()] == ["run.json"], "nothing is left beside it"


def test_facts_that_are_not_there_are_none_and_what_cannot_be_read_is_told(tmp_path: Path) -> None:
    assert read_json(tmp_path / "none.json") == {}
    with pytest.raises(RecordError, match="reading the record"):
        read_json(tmp_path)  # a folder of that name
    for text, words in (("{", "not JSON"), ("[1]", "not a JSON object")):
        (tmp_path / "x.json").write_text(text, encoding="utf-8")
        with pytest.raises(RecordError, match=words):
            read_json(tmp_path / "x.json")
    with pytest.raises(RecordError, match="writing the record"):
        write_json(tmp_path / "no folder" / "x.json", {})


def test_tables_are_joined_and_all_else_is_replaced() -> None:
    old = {"a": {"x": 1, "y": {"z": 2}}, "b": [1], "c": {"d": 3}}
    new = {"a": {"y": {"w": 4}}, "b": [2], "c": 5, "e": {}}
    assert merged(old, new) == {
        "a": {"x": 1, "y": {"z": 2, "w": 4}},
        "b": [2],
        "c": 5,
        "e": {},
    }
    assert old["a"] == {"x": 1, "y": {"z": 2}}


@pytest.mark.parametrize(("length", "cut"), [(60, False), (61, True)])
def test_what_is_no_run_id_is_told_as_far_as_a_line_takes_it(
    tmp_path: Path, length: int, cut: bool
) -> None:
    with pytest.raises(RecordError) as refused:
        run_folder(tmp_path, "x" * length)
    told = "x" * 57 + "..." if cut else "x" * length
    assert f"'{told}' is not a run id" in str(refused.value)


def test_a_folder_that_was_synced_is_open_no_more(tmp_path: Path, mocker: MockerFixture) -> None:
    """A run syncs it at every new file: a system has only so many that may be open."""
    opened = mocker.spy(os, "open")
    sync_folder(tmp_path)
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(opened.spy_return)
    sync_folder(tmp_path / "gone")  # where it cannot be opened it is left


def test_files_are_listed_by_name_whatever_order_the_disk_has(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    for name in ("2-b.csv", "1-a.csv", "note.txt"):
        (tmp_path / name).write_text("", encoding="utf-8")
    (tmp_path / "3-folder.csv").mkdir()
    names = ["2-b.csv", "note.txt", "3-folder.csv", "1-a.csv"]
    mocker.patch.object(Path, "iterdir", return_value=[tmp_path / name for name in names])
    assert [path.name for path in _listed(tmp_path, ".csv")] == ["1-a.csv", "2-b.csv"]
    assert _listed(tmp_path / "none") == []


@pytest.mark.parametrize("last", ["flush", "close"])
def test_the_first_trouble_of_a_message_log_is_the_one_that_is_kept(
    tmp_path: Path, mocker: MockerFixture, last: str
) -> None:
    for first in (None, OSError(28, "full")):
        log = MessageFile(tmp_path / f"{first is None}.log")
        whole = log._file
        log._file = mocker.Mock(closed=False)
        second = OSError(5, "input/output")
        getattr(log._file, last).side_effect = second
        log.failure = first
        getattr(log, last)()
        assert log.failure is (first or second)
        whole.close()
