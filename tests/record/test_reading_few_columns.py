"""Frames of a few columns, with texts as categories, for histories of very many readings."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from seqrun.record import RunInfo, Store
from seqrun.record.places import new_run_id, time_of
from seqrun.values import Judged, Reading, Verdict

NOON = datetime(2026, 5, 11, 12, 0, 0, 250_000, tzinfo=UTC)


def written(folder: Path, *notes: str) -> Store:
    store = Store(folder)
    record = store.start(RunInfo("NA", "Demo 2x40", "acceptance"))
    for note in notes:
        reading = Reading("n", "", 1.5, note=note)
        record.reading(Judged(reading, "s", None, "simple", Verdict.NONE, None))
    return store


def test_only_the_columns_that_are_wanted_in_their_order(tmp_path: Path) -> None:
    frame = written(tmp_path, "x").readings_frame(("value", "serial"), categories=True)
    assert list(frame.columns) == ["value", "serial"]
    assert frame["serial"].tolist() == ["NA"]


def test_categories_hold_what_texts_hold(tmp_path: Path) -> None:
    store = written(tmp_path, "=1+1", "plain", "", "'quoted", "-x")
    texts = store.readings_frame()
    frame = store.readings_frame(categories=True)
    for name in ("note", "serial", "unit", "verdict"):
        assert frame[name].astype(str).tolist() == texts[name].tolist()
    assert frame["note"].tolist() == ["=1+1", "plain", "", "'quoted", "-x"]


def test_a_formula_that_a_hand_wrote_bare_is_the_same_text(tmp_path: Path) -> None:
    store = written(tmp_path, "=1+1", "=2+2")
    path = store.readings_table.path
    path.write_text(path.read_text(encoding="utf-8").replace("'=2+2", "=1+1"), encoding="utf-8")
    assert store.readings_frame(("note",), categories=True)["note"].tolist() == ["=1+1"] * 2


def test_a_table_that_a_spreadsheet_saved_with_its_mark_is_read(tmp_path: Path) -> None:
    store = written(tmp_path, "x")
    path = store.readings_table.path
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    frame = store.readings_frame(("run_id", "note"), categories=True)
    assert frame["note"].tolist() == ["x"]
    assert len(frame["run_id"].iloc[0]) > 20


def test_nothing_on_record_is_an_empty_frame(tmp_path: Path) -> None:
    frame = Store(tmp_path / "none").readings_frame(("serial", "value"), categories=True)
    assert len(frame) == 0
    assert frame["serial"].cat.categories.empty


def test_a_run_id_tells_when_its_run_began() -> None:
    assert time_of(new_run_id("DEMO-001", NOON)) == NOON


@pytest.mark.parametrize("text", ["last", "../x", "20261311T093000000Z-DEMO-001-5f2a9c"])
def test_what_is_no_run_id_has_no_time(text: str) -> None:
    with pytest.raises(ValueError):
        time_of(text)
