"""``seqrun safe`` and ``seqrun answer``: what was found on and confirmed; what was answered."""

from __future__ import annotations

import contextlib
from pathlib import Path

from seqrun.report.shared.cleaned import clean, unhurried
from seqrun.runner.only_safe import bring_to_safe


@unhurried()
def safe_command(bench: str | None) -> int:
    """0 when everything was confirmed off and discharged, 4 when not."""
    done = bring_to_safe(bench, _say)
    if not done.found:
        _say("found on: nothing")
    for line in (*done.report.confirmed, *done.report.sent):
        _say(line)
    for line in done.report.unconfirmed:
        _say(f"NOT CONFIRMED  {line}")
    if done.report.complete:
        _say("SAFE: every output is off and below 2 V. Confirm by meter before touching.")
        return 0
    _say("NOT SAFE: treat the unit as live; switch it off by hand and measure each rail.")
    return 4


def answer_command(run_id: str, results: Path, why: str, by: str, measured: str) -> int:
    """0 when the run is accepted now."""
    from seqrun.record.answer import answer

    run = answer(results, run_id, why, by, measured)
    _say(f"{run.disposition.value.upper()}: {run.reason}")
    return 0


def _say(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # unread, the bench is made safe all the same
        print(clean(text), flush=True)
