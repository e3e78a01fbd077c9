"""What a run has written is on disk at once, and what was not written is told."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from seqrun.judge import decide
from seqrun.record import RecordError, RunInfo, RunRecord, Store
from seqrun.record.answer import HELD_FOR, answer
from seqrun.record.frames import counted_frame, judged_of_frame
from seqrun.record.messages import MessageFile
from seqrun.record.plain import budget_line, write_json
from seqrun.values import Bound, Contribution, Disposition, Judged, Limit, Reading, Source, Verdict

INFO = RunInfo("A-1", "Demo 2x40", "acceptance", "A", "Corner bench", "N. N.", True, "0.2.0")


def rise(kelvin: float = 21.0) -> Judged:
    held = Reading("sink_rise", "K", kelvin, (Contribution(Source("sensor"), 0.2),))
    return decide(held, Limit(high=40.0), "guarded", "rise")


@pytest.fixture
def record(tmp_path: Path) -> RunRecord:
    return Store(tmp_path).start(INFO)


def test_after_a_reading_its_budget_and_messages_outlive_the_program(record: RunRecord) -> None:
    log = record.message_log()
    log("meter", ">", "READ?")
    record.reading(rise())
    # read beside the open files: nothing waits in this program's own buffers
    texts = {path.name: path.read_text(encoding="utf-8") for path in record.folder.iterdir()}
    assert any('"sink_rise"' in text for text in texts.values())
    assert any("meter > READ?" in text for text in texts.values())


def test_messages_are_on_disk_when_asked_for(record: RunRecord) -> None:
    record.message_log()("meter", ">", "READ?")
    record.flush()
    assert any("READ?" in p.read_text(encoding="utf-8") for p in record.folder.iterdir())


def test_a_line_after_the_end_is_a_failure_and_says_so(tmp_path: Path) -> None:
    log = MessageFile(tmp_path / "messages.log")
    log.close()
    log.line("too late")
    assert isinstance(log.failure, OSError) and "closed" in str(log.failure)


def test_a_full_disk_under_the_messages_is_told_as_it_is(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    log = MessageFile(tmp_path / "messages.log")
    full = OSError(28, "No space left on device")
    mocker.patch.object(log, "_write", side_effect=full)
    log.line("*IDN?")
    log.flush()
    assert log.failure is full
    log.close()


def test_facts_that_cannot_be_written_are_an_error_of_the_record(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    mocker.patch("seqrun.record.plain.os.fsync", side_effect=OSError(28, "No space left"))
    with pytest.raises(RecordError, match="No space left"):
        write_json(tmp_path / "facts.json", {"a": 1})
    assert not (tmp_path / "facts.json").exists()


def test_a_budget_keeps_its_letters_and_has_no_number_that_json_lacks() -> None:
    part = Contribution(Source("ballast 0.22 Ω"), 0.01)
    line = budget_line(3, "cold", "idle_current", [part])
    assert "0.22 Ω" in line
    assert json.loads(line)["reading"] == 3
    none = budget_line(3, "cold", "idle_current", [Contribution(Source("no number"), math.nan)])
    assert "NaN" not in none and json.loads(none)["contributions"]


def test_what_went_wrong_at_the_end_comes_before_what_is_missing(
    tmp_path: Path, record: RunRecord, mocker: MockerFixture
) -> None:
    record.reading(rise())
    budgets = record._budgets
    mocker.patch.object(budgets, "close", side_effect=OSError(28, "No space left on device"))
    next(record.folder.glob("budgets*")).unlink()
    with pytest.raises(RecordError):
        record.finish(Disposition.ACCEPT, "all limits are met")
    (row,) = Store(tmp_path).runs()
    assert row.disposition is Disposition.HOLD
    told = row.reason.partition("record incomplete: ")[2]
    assert "No space left" in told.split("; ")[0]


def test_a_run_whose_times_were_spoiled_is_not_answered(tmp_path: Path) -> None:
    store = Store(tmp_path)
    record = store.start(INFO, datetime(2026, 5, 11, 9, 30, tzinfo=UTC))
    record.facts({HELD_FOR: {"title": "a sensor that fell off", "reason": "all met"}})
    record.finish(Disposition.HOLD, "all met; held", datetime(2026, 5, 11, 10, 0, tzinfo=UTC))
    row = store.run(record.run_id)
    table = store.runs_table.path
    text = table.read_text(encoding="utf-8")
    table.write_text(text.replace(row.ended_utc, "yesterday"), encoding="utf-8")
    with pytest.raises(RecordError, match=r"line 3: 'yesterday' is no time"):
        answer(tmp_path, record.run_id, "the sensor was off and is back", "N. N.")


# --- a row of the table, read with pandas -------------------------------------------------------


ROW = {
    "step": "offset.left",
    "quantity": "dc_offset",
    "unit": "V",
    "channel": "left",
    "value": 0.01,
    "expanded_uncertainty": 0.004,
    "coverage_factor": 2.0,
    "bound": "exact",
    "verdict": "pass",
    "limit_low": -0.05,
    "limit_high": 0.05,
}


def test_a_row_of_the_frame_is_the_reading_that_was_judged() -> None:
    judged = judged_of_frame(ROW)
    assert judged.verdict is Verdict.PASS and judged.limit == Limit(-0.05, 0.05)
    assert judged.reading.bound is Bound.EXACT
    assert judged.reading.standard_uncertainty == pytest.approx(0.002)


@pytest.mark.parametrize("factor", [float("nan"), 0.0])
def test_without_a_factor_in_its_row_u_is_taken_with_k_2(factor: float) -> None:
    judged = judged_of_frame({**ROW, "coverage_factor": factor})
    assert judged.reading.standard_uncertainty == pytest.approx(0.002)


def test_one_side_is_a_limit_and_none_is_none() -> None:
    nan = float("nan")
    assert judged_of_frame({**ROW, "limit_low": nan}).limit == Limit(high=0.05)
    assert judged_of_frame({**ROW, "limit_high": nan}).limit == Limit(low=-0.05)
    assert judged_of_frame({**ROW, "limit_low": nan, "limit_high": nan}).limit is None


def test_a_reading_that_was_read_again_counts_no_more(tmp_path: Path) -> None:
    import pandas as pd

    from seqrun.record.again import READ_AGAIN

    rows = [("r1", "a", "gain"), ("r1", "b", "gain"), ("r2", "a", "gain"), ("r1", "a", READ_AGAIN)]
    rows.append(("r1", "a", "gain"))
    frame = pd.DataFrame(rows, columns=["run_id", "step", "quantity"])
    assert list(counted_frame(frame).index) == [1, 2, 4]
