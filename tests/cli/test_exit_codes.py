"""The exit code tells the disposition and nothing else: 1 is a reject, never an accident."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.record import Store
from seqrun.values import Disposition


def test_a_report_that_cannot_be_written_does_not_change_the_disposition(
    seqrun: Callable, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("seqrun.report.run.page.write_page", full)
    answer = seqrun("run", short_sequence(), "--bench", "demo", "--serial", "S-1")
    assert answer.code == 0
    assert "not whole" in answer.err and "No space" in answer.err


def test_a_mistake_of_ours_is_not_taken_for_a_reject(
    seqrun: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a mistake")

    monkeypatch.setattr("seqrun.runner.preparation.prepare", broken)
    answer = seqrun("run", "acceptance", "--bench", "demo", "--serial", "S-1")
    assert answer.code == 4
    assert "a mistake" in answer.err


def test_a_run_that_nobody_reads_any_more_is_aborted_and_says_so(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    words = [sys.executable, "-m", "seqrun", "run", short_sequence(), "--serial", "S-1"]
    words += ["--bench", "demo", "--results", str(tmp_path / "r")]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=tmp_path) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.wait(60) == 4
    (ended,) = Store(tmp_path / "r").runs()
    assert ended.disposition is Disposition.ABORTED
    assert "nobody reads" in ended.reason
