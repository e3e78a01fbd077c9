"""Rows of readings.csv and runs.csv: columns, numbers, text that is no formula."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from seqrun.errors import UsageError
from seqrun.judge import decide
from seqrun.record import READING_COLUMNS, RUN_COLUMNS, RecordError, RunInfo, Store, cells
from seqrun.record.rows import judged_of
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

INFO = RunInfo("DEMO-001", "Demo 2x40", "acceptance", "A", "Corner bench", "", True, "0.1.0")
BUDGET = (Contribution(Source("gain", "rectangular"), 0.0003), Contribution(Source("noise"), 4e-4))


def offset(volts: float | None = 0.012, note: str = "") -> Judged:
    budget = BUDGET if volts is not None else ()
    held = Reading("dc_offset", "V", volts, budget, "left", instruments=("meter",), note=note)
    return decide(held, Limit(-0.05, 0.05), "guarded", "offset.left")


def test_columns_of_readings_are_those_agreed(tmp_path: Path) -> None:
    with Store(tmp_path).start(INFO) as record:
        record.reading(offset())
    header = (tmp_path / "readings.csv").read_text("utf-8").splitlines()[0]
    assert header == (
        "run_id,time_utc,serial,model,sequence,revision,step,channel,quantity,value,unit,"
        "expanded_uncertainty,coverage_factor,bound,limit_low,limit_high,decision,verdict,"
        "conformance_probability,instruments,simulated,note"
    )


def test_columns_of_runs_are_those_agreed(tmp_path: Path) -> None:
    Store(tmp_path).start(INFO)
    header = (tmp_path / "runs.csv").read_text("utf-8").splitlines()[0]
    assert header == (
        "run_id,started_utc,ended_utc,serial,model,sequence,revision,bench,operator,"
        "disposition,reason,simulated,version"
    )


def test_a_row_holds_base_units_plain_numbers_and_a_time_in_utc(tmp_path: Path) -> None:
    summer = timezone(timedelta(hours=2))
    with Store(tmp_path).start(INFO) as record:
        record.reading(offset(), time=datetime(2026, 5, 11, 11, 30, tzinfo=summer))
    with (tmp_path / "readings.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["time_utc"] == "2026-05-11T09:30:00.000Z"
    assert row["value"] == "0.012"
    assert row["unit"] == "V"
    assert row["expanded_uncertainty"] == "0.001"
    assert row["coverage_factor"] == "2.0"
    assert (row["limit_low"], row["limit_high"]) == ("-0.05", "0.05")
    assert (row["decision"], row["verdict"]) == ("guarded", "pass")
    assert row["simulated"] == "true"


def test_lines_end_as_rfc_4180_says(tmp_path: Path) -> None:
    with Store(tmp_path).start(INFO) as record:
        record.reading(offset(note='said "hm", then\nfell silent'))
    data = (tmp_path / "readings.csv").read_bytes()
    assert data.endswith(b"\r\n")
    assert data.count(b"\n") == data.count(b"\r\n") == 2
    assert b'"said ""hm"", then fell silent"' in data


def test_what_was_not_measured_leaves_value_and_uncertainty_empty(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        record.reading(offset(None, "the meter went silent"))
    (row,) = store.readings()
    assert row.value is row.expanded_uncertainty is row.coverage_factor is None
    assert row.verdict is Verdict.NOT_MEASURED
    assert row.note == "the meter went silent"


def test_a_number_that_states_no_uncertainty_leaves_its_cell_empty(tmp_path: Path) -> None:
    """A peak or a setting read back: an uncertainty of 0 would say that it is known exactly."""
    store = Store(tmp_path)
    made = decide(Reading("noise_peak", "V", 0.003), None, "guarded", "noise.left")
    with store.start(INFO) as record:
        record.reading(made)
    (row,) = store.readings()
    assert row.value == 0.003
    assert row.expanded_uncertainty is row.coverage_factor is None
    assert row == made


def test_a_row_that_an_earlier_version_gave_an_uncertainty_of_0_reads_alike(tmp_path: Path) -> None:
    store = Store(tmp_path)
    made = decide(Reading("noise_peak", "V", 0.003), None, "guarded", "noise.left")
    with store.start(INFO) as record:
        record.reading(made)
    table = tmp_path / "readings.csv"
    table.write_text(table.read_text("utf-8").replace(",V,,,", ",V,0.0,2.0,"), "utf-8", newline="")
    (row,) = store.readings()
    assert row.expanded_uncertainty is None
    assert row == made


numbers = st.none() | st.floats(allow_nan=False, allow_infinity=False)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(value=numbers, low=numbers, high=numbers, texts=st.lists(st.text(), min_size=4, max_size=4))
def test_a_reading_comes_back_as_it_went_in(
    tmp_path_factory: pytest.TempPathFactory,
    value: float | None,
    low: float | None,
    high: float | None,
    texts: list[str],
) -> None:
    step, channel, quantity, note = (cells.from_text(cells.text(t)) for t in texts)
    held = Reading(quantity, "V", value, BUDGET, channel, Bound.AT_MOST, ("meter", "scope"), note)
    limit = Limit(low, high) if (low, high) != (None, None) else None
    judged = Judged(held, step, limit, "simple", Verdict.PASS, 0.5)
    store = Store(tmp_path_factory.mktemp("results"))
    with store.start(INFO) as record:
        record.reading(judged)
    (row,) = store.readings()
    if value is not None:
        assert row.reading.standard_uncertainty == pytest.approx(held.standard_uncertainty)
    assert replace(row, reading=replace(row.reading, budget=BUDGET)) == judged


@given(st.text())
def test_no_text_cell_begins_as_a_formula_unless_it_is_a_number(text: str) -> None:
    cell = cells.text(text)
    if cell and cell[0] in "=+-@\t＝＋－＠":
        assert math.isfinite(float(cell))
    assert not any(ord(c) < 32 and c != "\t" for c in cell)


@given(st.text(alphabet="'=+-@\t a1", max_size=6))
def test_a_text_cell_reads_back_as_its_text(text: str) -> None:
    assert cells.from_text(cells.text(text)) == text.strip(" ")


@pytest.mark.parametrize("cell", ["=cmd()|' /C calc'!A0", "@SUM(A1)", "-2+3", "+HYPERLINK(1)"])
def test_formulas_are_shown_not_run(cell: str) -> None:
    assert cells.text(cell) == "'" + cell


@given(st.floats())
def test_a_number_cell_is_a_number_or_empty(value: float) -> None:
    cell = cells.number(value)
    assert cells.from_number(cell) == (value if math.isfinite(value) else None)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        cells.utc(datetime(2026, 5, 11))


@pytest.mark.parametrize("serial", ["../../x", "=cmd()", "", "a\nb", "C:\\x", "x" * 100])
def test_a_serial_number_that_is_a_path_or_a_formula_leaves_no_trace(
    tmp_path: Path, serial: str
) -> None:
    folder = tmp_path / "results"
    with pytest.raises(UsageError):
        Store(folder).start(RunInfo(serial, "Demo 2x40", "acceptance"))
    assert list(tmp_path.iterdir()) == []


def test_a_run_that_ended_is_one_row_when_read_back(tmp_path: Path) -> None:
    store = Store(tmp_path)
    start = datetime(2026, 5, 11, 9, 30, tzinfo=UTC)
    record = store.start(INFO, start)
    record.finish(Disposition.REJECT, "fail: offset.left 600 mV", start + timedelta(minutes=40))
    (run,) = store.runs()
    assert run.finished
    assert run.disposition is Disposition.REJECT
    assert run.reason == "fail: offset.left 600 mV"
    assert run.started_utc == "2026-05-11T09:30:00.000Z"
    assert run.ended_utc == "2026-05-11T10:10:00.000Z"
    assert len((tmp_path / "runs.csv").read_bytes().splitlines()) == 3


def test_a_run_without_an_end_is_aborted_not_finished(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.start(INFO).reading(offset())
    (run,) = store.runs()
    assert run.disposition is Disposition.ABORTED
    assert run.reason == "not finished"
    assert not run.finished


def test_nothing_can_be_added_after_the_end(tmp_path: Path) -> None:
    record = Store(tmp_path).start(INFO)
    record.finish(Disposition.HOLD, "x")
    with pytest.raises(RecordError, match="finished"):
        record.reading(offset())
    with pytest.raises(RecordError, match="finished"):
        record.finish(Disposition.ACCEPT, "x")


def test_an_exception_ends_the_run_as_aborted(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with pytest.raises(KeyboardInterrupt), store.start(INFO) as record:
        record.reading(offset())
        raise KeyboardInterrupt
    (run,) = store.runs()
    assert (run.disposition, run.reason) == (Disposition.ABORTED, "KeyboardInterrupt")


def test_pandas_reads_the_same_as_we_do(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(RunInfo("NA", "null", "acceptance")) as record:
        record.reading(offset(note="=1+1"))
        record.reading(offset(None, "−3 dB, not reached"))
    ours = list(store.readings())
    frame = store.readings_frame()
    assert tuple(frame.columns) == READING_COLUMNS
    assert list(frame["serial"]) == ["NA", "NA"]
    assert list(frame["note"]) == [row.note for row in ours]
    assert frame["value"][0] == ours[0].value
    assert math.isnan(frame["value"][1])
    assert frame["simulated"].dtype == bool
    plain = pd.read_csv(tmp_path / "readings.csv")
    assert len(plain) == 2


def test_an_empty_record_has_no_rows(tmp_path: Path) -> None:
    store = Store(tmp_path / "nowhere")
    assert store.runs() == []
    assert list(store.readings()) == []
    assert len(store.readings_frame()) == 0
    assert tuple(store.runs_frame().columns) == (*RUN_COLUMNS, "finished")
    assert not (tmp_path / "nowhere").exists()


def test_a_run_is_found_by_a_part_of_its_id_or_as_the_last(tmp_path: Path) -> None:
    store = Store(tmp_path)
    first = store.start(INFO, datetime(2026, 5, 11, tzinfo=UTC))
    last = store.start(INFO, datetime(2026, 5, 12, tzinfo=UTC))
    assert store.run("last").run_id == last.run_id
    assert store.run("20260511").run_id == first.run_id
    with pytest.raises(RecordError, match="several"):
        store.run("DEMO-001")
    with pytest.raises(RecordError, match="no run"):
        store.run("../..")


def test_a_run_is_found_whose_id_another_program_has_put_in_quotes(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        pass
    table = tmp_path / "runs.csv"
    head, _, rows = table.read_bytes().partition(b"\n")
    name = record.run_id.encode()
    table.write_bytes(head + b"\n" + rows.replace(name, b'"' + name + b'"'))
    assert store.run("last").run_id == record.run_id
    assert store.run("last").finished


def test_a_line_edited_by_hand_is_named(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        record.reading(offset())
        record.reading(offset())
    table = tmp_path / "readings.csv"
    data = table.read_bytes()
    table.write_bytes(data.replace(b",0.012,", b",12 mV,", 1))
    with pytest.raises(RecordError, match=r"line 2: .*12 mV"):
        list(store.readings())
    table.write_bytes(data.replace(b",0.012,", b",0,012,", 1))
    with pytest.raises(RecordError, match="line 2 has 23 cells"):
        list(store.readings())


def test_a_spreadsheet_that_saved_the_table_again_does_no_harm(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        record.reading(offset())
        table = tmp_path / "readings.csv"
        changed = table.read_bytes().replace(b"\r\n", b"\n").replace(b",true,", b",TRUE,")
        table.write_bytes(b"\xef\xbb\xbf" + changed)
        record.reading(offset())
    assert [row.simulated for row in store.readings()] == [True, True]


def test_a_reading_goes_by_the_names_of_its_columns() -> None:
    of_the_run = {"run_id", "serial", "model", "sequence", "revision"}
    made = offset()
    assert all(hasattr(made, name) for name in READING_COLUMNS if name not in of_the_run)
    assert made.expanded_uncertainty == made.reading.expanded_uncertainty


def test_a_cell_longer_than_the_library_reads_by_itself_is_read(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        record.reading(offset(note="x" * 140_000))
    (row,) = store.readings()
    assert len(row.note) == 140_000


@pytest.mark.parametrize(("factor", "u"), [("2", 0.5), ("", 0.5), ("2.5", 0.4)])
def test_u_of_a_row_is_its_expanded_one_over_the_factor_that_it_tells_or_2(
    factor: str, u: float
) -> None:
    row = [""] * len(READING_COLUMNS)
    told = {"quantity": "gain", "value": "29", "unit": "dB", "expanded_uncertainty": "1"}
    told |= {"coverage_factor": factor, "bound": "exact", "simulated": "true"}
    for name, cell in told.items():
        row[READING_COLUMNS.index(name)] = cell
    judged = judged_of(row)
    assert judged.reading.standard_uncertainty == pytest.approx(u)
    row[READING_COLUMNS.index("expanded_uncertainty")] = ""
    assert judged_of(row).expanded_uncertainty is None


def test_cells_of_a_frame_are_texts_unless_categories_are_asked_for(tmp_path: Path) -> None:
    store = Store(tmp_path)
    with store.start(INFO) as record:
        record.reading(offset())
    plain, less = store.readings_frame(), store.readings_frame(categories=True)
    assert not isinstance(plain["serial"].dtype, pd.CategoricalDtype)
    assert isinstance(less["serial"].dtype, pd.CategoricalDtype)
    assert plain["serial"].tolist() == less["serial"].tolist() == ["DEMO-001"]
