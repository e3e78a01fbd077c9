"""Cells by their places, logs by their batches, sounds by their rates: what an owner of a record
reads years later has to stand where its column says."""

from __future__ import annotations

import hashlib
import wave
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from seqrun.record import READING_COLUMNS, RUN_COLUMNS, RunInfo, Store
from seqrun.record.frames import readings_frame
from seqrun.record.messages import BATCH, MessageFile
from seqrun.record.rows import NOT_FINISHED, RunRow, judged_of, reading_cells, run_cells
from seqrun.record.seal import _begin_and_count
from seqrun.record.sounds import write_sound
from seqrun.values import (
    Bound,
    Contribution,
    Disposition,
    Judged,
    Limit,
    Reading,
    Source,
    Verdict,
)

INFO = RunInfo("serial", "model", "sequence", "revision", "bench", "operator", True, "version")
BEGUN = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
ENDED = datetime(2026, 3, 1, 13, 30, 0, tzinfo=UTC)
READ = Judged(
    Reading(
        "quantity", "V", 1.25, (Contribution(Source("gain"), 0.01),), "channel",
        bound=Bound.AT_MOST, instruments=("meter", "scope"), note="note",
    ),
    step="step", limit=Limit(-1.0, 2.0), decision="guarded", verdict=Verdict.PASS,
    conformance_probability=0.99,
)  # fmt: skip


# --- runs -----------------------------------------------------------------------------------------


def test_each_cell_of_a_run_stands_under_its_column_and_is_read_back_from_there() -> None:
    cells = run_cells("run-1", INFO, BEGUN, ENDED, Disposition.HOLD, "reason")
    row = RunRow.parse(cells)
    for name, cell in zip(RUN_COLUMNS, cells, strict=True):
        kept = getattr(row, name)
        if name in ("serial", "model", "sequence", "revision", "bench", "operator", "version"):
            assert cell == kept == name
        elif name == "simulated":
            assert (cell, kept) == ("true", True)
    assert (row.run_id, row.disposition, row.reason) == ("run-1", Disposition.HOLD, "reason")
    assert (row.started, row.ended, row.finished) == (BEGUN, ENDED, True)
    assert not RunRow.parse(run_cells("r", replace(INFO, simulated=False), BEGUN)).simulated


def test_a_run_without_an_end_is_aborted_and_not_finished_whatever_else_it_says() -> None:
    row = RunRow.parse(run_cells("run-1", INFO, BEGUN, None, None, "all is well"))
    assert (row.disposition, row.reason) == (Disposition.ABORTED, NOT_FINISHED)
    assert (row.started, row.ended, row.finished) == (BEGUN, None, False)


# --- readings -------------------------------------------------------------------------------------


def test_each_cell_of_a_reading_stands_under_its_column() -> None:
    cells = dict(zip(READING_COLUMNS, reading_cells("run-1", INFO, READ, True, BEGUN), strict=True))
    words = ("serial", "model", "sequence", "revision", "step", "channel", "quantity", "note")
    assert {name: cells[name] for name in words} == {name: name for name in words}
    assert cells["run_id"] == "run-1"
    told = ("value", "unit", "expanded_uncertainty", "coverage_factor", "limit_low", "limit_high")
    assert [cells[name] for name in told] == ["1.25", "V", "0.02", "2.0", "-1.0", "2.0"]
    assert (cells["bound"], cells["decision"], cells["verdict"]) == ("at_most", "guarded", "pass")
    assert (cells["instruments"], cells["simulated"]) == ("meter; scope", "true")
    assert float(cells["conformance_probability"]) == 0.99


def test_a_reading_is_read_back_as_it_was() -> None:
    found = judged_of(reading_cells("run-1", INFO, READ, True, BEGUN))
    assert found.reading.budget[0].standard_uncertainty == pytest.approx(0.01)
    for name in ("quantity", "unit", "value", "channel", "bound", "instruments", "note"):
        assert getattr(found.reading, name) == getattr(READ.reading, name)
    for name in ("step", "limit", "decision", "verdict", "conformance_probability"):
        assert getattr(found, name) == getattr(READ, name)
    assert found.simulated is True


@pytest.mark.parametrize(
    ("limit", "back"),
    [
        (Limit(None, 2.0), Limit(None, 2.0)),
        (Limit(-1.0, None), Limit(-1.0, None)),
        (None, None),
    ],
)
def test_a_limit_has_the_sides_that_it_had(limit: Limit | None, back: Limit | None) -> None:
    row = reading_cells("r", INFO, replace(READ, limit=limit), False, BEGUN)
    assert judged_of(row).limit == back
    assert judged_of(row).simulated is False


@pytest.mark.parametrize(
    ("expanded", "factor", "u"),
    [("0.02", "2.0", 0.01), ("0.02", "", 0.01), ("0.03", "3.0", 0.01), ("", "2.0", None)],
)
def test_an_uncertainty_goes_by_the_factor_beside_it_and_none_is_none(
    expanded: str, factor: str, u: float | None
) -> None:
    row = reading_cells("r", INFO, READ, True, BEGUN)
    row[11], row[12] = expanded, factor
    budget = judged_of(row).reading.budget
    assert [c.standard_uncertainty for c in budget] == ([] if u is None else [pytest.approx(u)])
    row[19] = ""
    assert judged_of(row).reading.instruments == ()


def test_a_frame_has_numbers_as_numbers_and_all_else_as_text(tmp_path: Path) -> None:
    rows = [reading_cells("7", replace(INFO, serial="0042", model="NA"), READ, True, BEGUN)]
    numbers = {"value", "expanded_uncertainty", "coverage_factor", "limit_low", "limit_high",
               "conformance_probability"}  # fmt: skip
    table = Store(tmp_path).readings_table
    for categories in (False, True):
        frame = readings_frame(table, rows=rows, categories=categories)
        kinds = {name: str(kind) for name, kind in frame.dtypes.items()}
        assert {name for name, kind in kinds.items() if kind == "float64"} == numbers
        assert kinds["simulated"] == "bool"
        texts = {kinds[name] for name in READING_COLUMNS if name not in numbers | {"simulated"}}
        assert ("category" in texts) is categories and len(texts) == 1
        assert (frame["serial"][0], frame["model"][0], frame["run_id"][0]) == ("0042", "NA", "7")
    few = readings_frame(table, ("value", "serial"), rows=rows)
    assert list(few.columns) == ["value", "serial"]
    empty = readings_frame(table, ("value", "serial", "simulated"))
    assert [str(kind) for kind in empty.dtypes][0::2] == ["float64", "bool"] and len(empty) == 0


# --- beside the tables ----------------------------------------------------------------------------


def test_lines_of_a_log_are_handed_on_together_and_at_once_when_it_is_closed(
    tmp_path: Path,
) -> None:
    log = MessageFile(tmp_path / "messages.txt")
    handed: list[str] = []
    write = log._write
    log._write = lambda text: handed.append(text) or write(text)  # type: ignore[func-returns-value]
    for n in range(BATCH - 1):
        log.line(f"{n}")
    assert handed == []
    log.line("the last of them")
    assert [text.count("\n") for text in handed] == [BATCH]
    log.line("one more")
    assert log.digest == hashlib.sha256("".join(handed).encode()).hexdigest()
    assert handed[1:] == ["one more\n"]
    log.close()
    assert (tmp_path / "messages.txt").read_text("utf-8") == "".join(handed)
    assert log.failure is None
    log.line("too late")
    assert log.failure is not None
    log.line("later still")  # nothing more is tried
    assert len(handed) == 3


@pytest.mark.parametrize(
    ("rate", "step"),
    [
        (8e3, 1),
        (50e3, 1),
        (50.1e3, 2),
        (96e3, 2),
        (100e3, 2),
        (100.1e3, 3),
        (192e3, 4),
        (50_000.04, 1),
        (50_000.06, 2),
    ],  # a clock may be off by a millionth
)
def test_a_sound_has_no_more_than_50000_samples_a_second(
    tmp_path: Path, rate: float, step: int
) -> None:
    volts = np.repeat([0.1, -0.2, 0.3], 12)
    write_sound(tmp_path / "a.wav", volts, rate, 1.0)
    with wave.open(str(tmp_path / "a.wav")) as sound:
        assert sound.getframerate() == round(rate / step)
        samples = np.frombuffer(sound.readframes(1000), dtype="<i2")
    assert len(samples) == 36 // step
    assert samples[:: len(samples) // 3].tolist() == pytest.approx(
        [round(v * 32767) for v in (0.1, -0.2, 0.3)]
    )


@pytest.mark.parametrize(
    "facts",
    [
        "no JSON", "{}", '{"record": 3}', '{"record": {"rows": 3}}',
        '{"record": {"rows_begin": 9}}',
        '{"record": {"rows_begin": -1, "rows": 3}}', '{"record": {"rows_begin": 9, "rows": -3}}',
        '{"record": {"rows_begin": true, "rows": 3}}', '{"record": {"rows_begin": 9, "rows": "3"}}',
    ],
)  # fmt: skip
def test_a_seal_that_cannot_be_read_counts_no_rows(tmp_path: Path, facts: str) -> None:
    (tmp_path / "run.json").write_text(facts, encoding="utf-8")
    assert _begin_and_count(tmp_path) == (0, 0, "")
    whole = '{"record": {"rows_begin": 9, "rows": 3, "rows_sha256": "ab"}}'
    (tmp_path / "run.json").write_text(whole, encoding="utf-8")
    assert _begin_and_count(tmp_path) == (9, 3, "ab")
    empty = '{"record": {"rows_begin": 0, "rows": 0, "rows_sha256": "cd"}}'
    (tmp_path / "run.json").write_text(empty, encoding="utf-8")
    assert _begin_and_count(tmp_path) == (0, 0, "cd")
