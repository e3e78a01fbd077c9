"""Records of earlier versions, and words in them that nobody knows any more."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.record import RecordError, Store
from seqrun.record.load import load_run
from seqrun.report.run.terminal import run_summary
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts


@pytest.fixture
def record(tmp_path: Path, short_sequence: Callable[..., str]) -> Path:
    """A results folder with one accepted run."""
    plan, files = prepare(short_sequence(), "demo", None)
    options = Options("T-1", "", tmp_path / "results")
    execute(plan, files, None, Watcher(), options, Interrupts())
    return tmp_path / "results"


def test_a_run_from_before_rows_were_counted_is_said_to_be_that(
    record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (facts,) = record.rglob("run.json")
    told = json.loads(facts.read_text(encoding="utf-8"))
    del told["record"]
    facts.write_text(json.dumps(told), encoding="utf-8")
    run_summary(load_run(record, "last"))
    said = " ".join(capsys.readouterr().out.split())
    assert "made before rows were counted" in said
    assert "cannot be shown to be whole" in said
    assert "is not whole" not in said  # nobody knows that


@pytest.mark.parametrize("word", ["marginal", "PASS", "pass ", "\x1b[2J", "ok" * 1000])
def test_a_verdict_that_nobody_knows_is_told_with_its_row(record: Path, word: str) -> None:
    table = record / "readings.csv"
    text = table.read_bytes().decode("utf-8")
    assert ",pass," in text
    table.write_bytes(text.replace(",pass,", f",{word},", 1).encode("utf-8"))
    with pytest.raises(RecordError) as told:
        list(Store(record).readings())
    assert told.value.exit_code == 2
    assert "readings.csv" in str(told.value)
    assert "verdict" in str(told.value)
    with pytest.raises(RecordError):
        load_run(record, "last")


@pytest.mark.parametrize("word", ["approved", ""])
def test_a_disposition_that_nobody_knows_is_told_with_its_row(record: Path, word: str) -> None:
    table = record / "runs.csv"
    text = table.read_bytes().decode("utf-8")
    assert ",accept," in text
    table.write_bytes(text.replace(",accept,", f",{word},", 1).encode("utf-8"))
    try:
        (run,) = Store(record).runs()
    except RecordError as told:
        assert "runs.csv" in str(told)
    else:
        assert str(run.disposition) != "accept"
