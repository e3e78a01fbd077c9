"""Runs over months, put on record: units that stay, drift, and differ."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from invented_run import judged

from seqrun.judge import dispose
from seqrun.record import RunInfo, Store
from seqrun.values import Judged

START = datetime(2026, 1, 12, 9, tzinfo=UTC)


def idle(amperes: float, step: str = "idle.left", u: float = 0.0007) -> Judged:
    return judged(step, "idle_current", "left", amperes, "A", u, 0.015, 0.035)


def a_run(
    results: Path,
    days: float,
    readings: list[Judged],
    serial: str = "EX-0007",
    *,
    model: str = "Example 2x40",
    sequence: str = "acceptance",
    simulated: bool = False,
) -> str:
    """One finished run, begun ``days`` after the first of all."""
    when = START + timedelta(days=days)
    info = RunInfo(serial=serial, model=model, sequence=sequence, revision="A", simulated=simulated)
    record = Store(results).start(info, when)
    for reading in readings:
        record.reading(reading, time=when)
    record.facts({"releases": sequence == "acceptance"})
    record.finish(*dispose(readings, "guarded"), when + timedelta(hours=1))
    return record.run_id
