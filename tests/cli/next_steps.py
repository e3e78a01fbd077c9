"""Units as they stand after a run of any shipped sequence that ended in any way, on record without
the run itself; and what the tool then prints as the next step."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import sys
from pathlib import Path

from seqrun.cli import main
from seqrun.files.shipped import find, shipped
from seqrun.judge import decide
from seqrun.record import RunInfo, Store
from seqrun.values import Contribution, Disposition, Judged, Limit, Reading, Source

#: how a run may have ended, and why
ENDINGS = {
    "accept": (Disposition.ACCEPT, "all 2 limits are met, with guard band U"),
    "hold": (Disposition.HOLD, "not measured: offset.left"),
    "reject": (Disposition.REJECT, "fail: offset.left 0.2 V"),
    "tripped": (Disposition.ABORTED, "tripped: bring_up: supply_current 3 A above 2.5 A"),
    "interrupted": (Disposition.ABORTED, "interrupted by Ctrl-C"),
}
SEQUENCES = sorted(shipped("sequence"))
COMMAND = re.compile(r"'seqrun ([a-z][^'\n]*)'")


def unit_for(sequence: str) -> str:
    """A shipped unit that the sequence can be run on."""
    return "demo-receiver" if sequence == "preamp" else "demo-2x40"


def _reading(step: str, value: float | None) -> Judged:
    budget = (Contribution(Source("meter gain, DC voltage 1 V", "rectangular"), 1e-4),)
    note = "" if value is not None else "waited 60 s"
    reading = Reading("dc_offset", "V", value, budget if value else (), "left", note=note)
    return decide(reading, Limit(-0.05, 0.05), "guarded", step)


def on_record(results: Path, serial: str, sequence: str, ending: str) -> str:
    """A run of a unit, as the record would hold it; its id."""
    disposition, reason = ENDINGS[ending]
    unit = unit_for(sequence)
    record = Store(results).start(
        RunInfo(serial=serial, model=unit, sequence=sequence, revision="A", simulated=True)
    )
    asked = {"sequence": sequence, "bench": "demo", "unit": unit, "faults": [], "seed": 1}
    releases = "releases = true" in find("sequence", sequence).read_text(encoding="utf-8")
    record.facts({"asked": asked, "releases": releases})
    record.keep_text(f"{unit}.toml", find("unit", unit).read_text(encoding="utf-8"))
    record.reading(_reading("offset.left", {"reject": 0.2, "hold": None}.get(ending, 0.001)))
    record.finish(disposition, reason)
    return record.run_id


def call(*words: str) -> tuple[int, str, str]:
    """Exit code, output and errors of a command."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    before = sys.argv
    sys.argv = ["seqrun", *words]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    finally:
        sys.argv = before
    return code, out.getvalue(), err.getvalue()


def next_step(serial: str, results: Path) -> list[str]:
    """The next step that a unit's case prints, without "seqrun"."""
    _, out, err = call("unit", serial, "--results", str(results))
    lines = [line for line in out.splitlines() if line.startswith("Next: seqrun ")]
    assert len(lines) == 1, (out, err)
    return shlex.split(lines[0].removeprefix("Next: seqrun "))


def advised(run_id: str, results: Path) -> list[list[str]]:
    """Every command that the report on a run advises."""
    _, report, err = call("report", run_id, "--results", str(results))
    assert "Next: " in report, err
    return [shlex.split(command) for command in COMMAND.findall(" ".join(report.split()))]
