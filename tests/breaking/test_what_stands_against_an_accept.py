"""A run whose readings all pass, and that is no accept: the bench was not seen to be safe, or the
record could not be finished; and what the next run of that bench says."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.record import RecordError, RunInfo, RunRecord, Store
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition


class Notes(Watcher):
    def __init__(self) -> None:
        self.said: list[str] = []

    def note(self, text: str) -> None:
        self.said.append(text)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[str]:
    served = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    with served.serve() as server:
        file = tmp_path / "bench.toml"
        file.write_text(server.bench_toml(), encoding="utf-8")
        yield str(file)


def run(tmp_path: Path, sequence: str, bench: str, watcher: Watcher | None = None) -> Outcome:
    plan, files = prepare(sequence, bench, None)
    options = Options("T-1", "", tmp_path / "r")
    return execute(plan, files, None, watcher or Watcher(), options, Interrupts())


def test_rails_not_seen_to_fall_hold_the_unit_and_the_next_run_tells(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    bench: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sequence = short_sequence()
    with monkeypatch.context() as patch:
        patch.setattr("seqrun.runner.safe.is_discharged", lambda *_: False)
        outcome = run(tmp_path, sequence, bench)
    assert outcome.disposition is Disposition.HOLD
    assert "all" in outcome.reason and "safe state not confirmed" in outcome.reason
    after = Notes()
    run(tmp_path, sequence, bench, after)
    assert any("not in a confirmed safe state" in text for text in after.said)
    assert any(outcome.run_id in text for text in after.said)


def test_a_record_that_cannot_be_finished_is_no_accept(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise RecordError("no space left", where="runs.csv")

    monkeypatch.setattr(RunRecord, "finish", full)
    outcome = run(tmp_path, short_sequence(), "demo")
    assert outcome.disposition is Disposition.HOLD
    assert "the record is not whole: no space left" in outcome.reason


def test_a_run_without_an_end_is_told_where_the_marker_was_lost(
    tmp_path: Path, short_sequence: Callable[..., str], bench: str
) -> None:
    _, files = prepare(short_sequence(), bench, None)
    info = RunInfo("T-0", "Demo 2x40", "short", bench=files.view.bench.name)
    dead = Store(tmp_path / "r").start(info).run_id
    after = Notes()
    run(tmp_path, short_sequence(), bench, after)
    assert any(dead in text and "no end on record" in text for text in after.said)
