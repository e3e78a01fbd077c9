"""A healthy unit on a supply that tells neither trip nor current limit comes up and is measured."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from short_runs import run

from seqrun.values import Disposition


def test_a_healthy_unit_comes_up(tmp_path: Path, short_sequence: Callable[..., str]) -> None:
    outcome = run(tmp_path / "r", short_sequence(), bench="demo:plain_supply")
    rows = (tmp_path / "r" / "readings.csv").read_text(encoding="utf-8")
    assert "no constant current" not in rows
    assert "bring_up_current" in rows
    assert outcome.disposition not in (Disposition.ABORTED, Disposition.REJECT), outcome.reason
