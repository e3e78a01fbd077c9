"""Every next step that is printed however a shipped sequence ended, is one that runs."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from next_steps import ENDINGS, advised, call, next_step, on_record
from test_printed_commands import command_of

from seqrun.runner.preparation import prepare

#: what stands for something of the reader's own in a command that is advised
OPEN = ("RUN", "FILE", "SERIAL")


@cache
def _planned(sequence: str, bench: str, unit: str | None) -> None:
    prepare(sequence, bench, unit)


def _runs(words: list[str]) -> None:
    """That a command is no wrong use: a run as far as its plan, anything else as it is typed."""
    if words[0] == "run" and "--resume" not in words:
        unit = words[words.index("--unit") + 1] if "--unit" in words else None
        command, rest = command_of(words)
        command.make_context("run", list(rest))  # type: ignore[attr-defined]
        _planned(words[1], words[words.index("--bench") + 1], unit)
        return
    code, _, err = call(*words)
    assert code == 0, (words, err)


@pytest.mark.parametrize("ending", ENDINGS)
def test_the_next_step_runs_as_printed_however_a_sequence_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str
) -> None:
    """Of three sequences: one that releases, one that begins, one for other units. Of all of them
    tests/benchmarks/bench_next_steps.py goes the step as well."""
    monkeypatch.chdir(tmp_path)
    for sequence in ("acceptance", "intake", "preamp"):
        run = on_record(Path("results"), f"U-{sequence}", sequence, ending)
        step = next_step(f"U-{sequence}", Path("results"))
        assert step[1] != sequence or ending not in ("accept", "reject"), "what was just done"
        _runs(step)
    for words in advised(run, Path("results")):
        if not any(word in OPEN for word in words) and words[0] not in ("run", "release"):
            _runs(words)
