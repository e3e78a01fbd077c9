"""A terminal that is gone takes nothing from a run but its watcher; 1 only ever means a reject."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from short_runs import run

from seqrun.record import Store
from seqrun.runner.events import Watcher
from seqrun.values import Disposition, Judged


class Gone(Watcher):
    """Shows nothing from some event on."""

    def __init__(self, error: Exception, event: str) -> None:
        self._error, self._event = error, event

    def _show(self, event: str) -> None:
        if event == self._event:
            raise self._error

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        self._show(step_id)

    def step_ended(self, step_id: str, judged: Sequence[Judged], bench_s: float) -> None:
        self._show(f"end of {step_id}")

    def safe(self, confirmed: Sequence[str], unconfirmed: Sequence[str]) -> None:
        self._show("safe")

    def ended(self, disposition: Disposition, reason: str, bench_s: float, wall_s: float) -> None:
        self._show("ended")


ERRORS = [BrokenPipeError(32, "Broken pipe"), OSError(28, "No space left"), ValueError("closed")]


@pytest.mark.parametrize("error", ERRORS)
@pytest.mark.parametrize("event", ["bring_up", "offset.left", "end of discharge", "safe"])
def test_a_run_that_nobody_can_follow_ends_in_the_safe_state_and_on_record(
    tmp_path: Path, short_sequence: Callable[..., str], error: Exception, event: str
) -> None:
    outcome = run(tmp_path, short_sequence(), watcher=Gone(error, event))
    assert outcome.disposition is Disposition.ABORTED
    assert "nobody can read" in outcome.reason
    if event == "bring_up":  # at once, and not after everything was done
        assert not any(j.step.startswith("offset") for j in outcome.judged)
    assert outcome.safe.complete
    assert Store(tmp_path).run(outcome.run_id).disposition is Disposition.ABORTED


def test_what_fails_when_all_is_over_changes_nothing(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, short_sequence(), watcher=Gone(ERRORS[0], "ended"))
    assert outcome.disposition is Disposition.ACCEPT


def seqrun(*arguments: str, output: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "seqrun", *arguments]
    return subprocess.run(
        command, stdout=output, stderr=subprocess.PIPE, text=True, timeout=120, check=False
    )  # type: ignore[call-overload,no-any-return]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no full device")
def test_a_full_device_as_output_is_no_reject(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    with Path("/dev/full").open("w") as full:
        done = seqrun(
            *("run", short_sequence(), "--bench", "demo", "--serial", "T-1"),
            *("--results", str(tmp_path / "r")),
            output=full,
        )
    assert done.returncode == 4
    assert "Traceback" not in done.stderr
    assert Store(tmp_path / "r").run("last").finished


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe without reader ends otherwise there")
@pytest.mark.parametrize("arguments", [("faults",), ("schema", "bench"), ("explain",)])
def test_a_pipe_that_nobody_reads_is_no_reject(arguments: tuple[str, ...]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = seqrun(*arguments, output=writing)
    finally:
        os.close(writing)
    assert done.returncode == 4
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "code"),
    [(("--version",), 0), (("-h",), 0), (("run",), 2), (("no-such-command",), 2)],
)
def test_right_and_wrong_use_keep_their_codes(arguments: tuple[str, ...], code: int) -> None:
    assert seqrun(*arguments, output=subprocess.PIPE).returncode == code
