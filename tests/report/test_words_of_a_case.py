"""What a case says of a run, in a line: what failed comes first."""

from __future__ import annotations

from pathlib import Path

from invented_run import judged, on_record

from seqrun.case.weighing import failed_by, told_by_run
from seqrun.values import Disposition, Judged, Verdict


def unread(step: str, channel: str) -> Judged:
    return judged(step, "idle_current", channel, None, "A", low=0.01, high=0.04)


def test_what_failed_is_told_before_what_could_not_be_measured(tmp_path: Path) -> None:
    failed = judged("treble", "upper_corner", "right", 11.9e3, "Hz", 900.0, 30e3, None)
    assert failed.verdict is Verdict.FAIL
    readings = [unread("cold.left", "left"), unread("cold.right", "right"), failed]
    run = on_record(tmp_path / "r", readings, Disposition.REJECT, "fail: treble")
    assert told_by_run(run).lower() == "upper corner right; 2 not measured"
    assert failed_by(run).lower() == "upper corner right"


def test_what_was_not_measured_is_named_where_it_alone_holds_the_unit(tmp_path: Path) -> None:
    readings = [judged(), unread("cold.left", "left")]
    held = on_record(tmp_path / "h", readings, Disposition.HOLD, "not measured: cold.left")
    assert told_by_run(held).lower() == "not measured: idle current left"
    let_go = on_record(tmp_path / "a", readings, Disposition.ACCEPT, "a stand-in passed")
    assert told_by_run(let_go) == "1 not measured"
