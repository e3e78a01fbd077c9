"""The exit code tells the disposition and nothing else: 1 is a reject, never an accident."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files.writing import write_whole
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


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX shells and devices")
@pytest.mark.parametrize(
    ("files", "into", "code"),
    [
        ("demo-2x40", ">&-", 0),
        ("demo-2x40", "<&- >&- 2>&-", 0),
        ("no-such-file.toml", ">&- 2>&-", 2),
        ("demo-2x40", "> /dev/full", 4),
    ],
)
def test_output_that_is_closed_or_full_is_no_reject_and_no_traceback(
    files: str, into: str, code: int, tmp_path: Path
) -> None:
    shell = f"{sys.executable} -m seqrun check {files} {into}"
    done = subprocess.run(shell, shell=True, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes there")
def test_a_pipe_that_nobody_reads_is_told_and_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "page.html"
    os.mkfifo(pipe)
    with pytest.raises(FileError, match="a pipe that nobody reads"):
        write_whole(pipe, "text")
    reading = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_whole(pipe, "text")
    assert os.read(reading, 10) == b"text"
    os.close(reading)
    with pytest.raises(FileError, match="Is a directory"):
        write_whole(tmp_path, "text")
