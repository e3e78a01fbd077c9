"""The command line in this process: exit code and what was printed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from seqrun.cli import main


class Answer(NamedTuple):
    code: int
    out: str
    err: str


@pytest.fixture
def seqrun(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Answer]:
    """``seqrun("check", "x.toml")`` in an empty folder, with nobody at the terminal."""
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> Answer:
        monkeypatch.setattr(sys, "argv", ["seqrun", *words])
        code: object = 0
        try:
            main()
        except SystemExit as end:
            code = end.code
        printed = capsys.readouterr()
        return Answer(code if isinstance(code, int) else 1, printed.out, printed.err)

    return call
