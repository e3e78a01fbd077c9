"""A record that another program keeps locked never comes between a powered unit and its trips."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock
from pytest_mock import MockerFixture
from short_runs import run

from seqrun.errors import Interrupted
from seqrun.instruments.supply import DrivenSupply
from seqrun.record import RunRecord, Store
from seqrun.record.table import LOCK_NAME
from seqrun.runner.engine import LOCKED_S
from seqrun.runner.events import Watcher
from seqrun.runner.opening import BenchClock
from seqrun.runner.signals import Interrupts
from seqrun.runner.trips import INTERVAL_S
from seqrun.values import Disposition, Judged


@dataclass
class LockedFrom(Watcher):
    """Locks the record from a step on until the unit has been made safe."""

    results: Path
    step: str
    began: float = 0.0
    took_s: float = 0.0
    lock: FileLock = field(init=False)

    def __post_init__(self) -> None:
        self.lock = FileLock(self.results / LOCK_NAME, thread_local=False)

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if step_id == self.step:
            self.lock.acquire()
            self.began = time.monotonic()

    def safe(self, confirmed: Sequence[str], unconfirmed: Sequence[str]) -> None:
        self.took_s = time.monotonic() - self.began
        self.lock.release()


def test_ctrl_c_ends_the_waiting_for_a_lock_before_a_run(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    results = tmp_path / "r"
    results.mkdir()
    interrupts = Interrupts()
    interrupts.arrived = "Ctrl-C"
    begun = time.monotonic()
    with FileLock(results / LOCK_NAME), pytest.raises(Interrupted):
        run(results, short_sequence(), interrupts=interrupts)
    assert time.monotonic() - begun < 20.0


def test_a_locked_record_ends_a_powered_run_within_seconds_and_loses_nothing(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    watcher = LockedFrom(tmp_path / "r", "offset.left")
    outcome = run(tmp_path / "r", short_sequence(), watcher=watcher)
    assert outcome.disposition is Disposition.ABORTED
    assert "locked" in outcome.reason
    assert outcome.safe.complete
    assert LOCKED_S <= watcher.took_s < LOCKED_S + 3.0
    rows = list(Store(tmp_path / "r").readings(outcome.run_id))
    assert len(rows) == len(outcome.judged)
    assert Store(tmp_path / "r").verify(outcome.run_id) == {outcome.run_id: ()}


def test_a_trip_acts_while_the_record_is_locked(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    path = Path(short_sequence())
    trip = '[[trip]]\nquantity = "supply_current"\nabove = "2 A"\nwhy = "a short"\n[[step]]'
    path.write_text(path.read_text("utf-8").replace("[[step]]", trip, 1), "utf-8")
    watcher = LockedFrom(tmp_path / "r", "offset.left")
    writes, passed = [False], [0.0]
    now, current, reading = BenchClock.now, DrivenSupply.current_raw, RunRecord.reading

    def reading_when_locked(record: RunRecord, judged: Judged, **more: Any) -> None:
        writes[0] = watcher.lock.is_locked
        try:
            reading(record, judged, **more)
        finally:
            writes[0] = False

    def passing(clock: BenchClock) -> float:  # virtual time stands still while a lock is awaited
        passed[0] += INTERVAL_S * writes[0]
        return now(clock) + passed[0]

    # The unit draws too much only while its reading waits to be written.
    mocker.patch.object(RunRecord, "reading", reading_when_locked)
    mocker.patch.object(BenchClock, "now", passing)
    mocker.patch.object(
        DrivenSupply, "current_raw", lambda supply, n: 3.0 if writes[0] else current(supply, n)
    )
    outcome = run(tmp_path / "r", str(path), watcher=watcher)
    assert outcome.disposition is Disposition.ABORTED
    assert "supply_current is 3 A" in outcome.reason
    assert outcome.safe.complete
