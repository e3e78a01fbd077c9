"""A bench that was left switched on: told, and brought down before any lead is touched."""

from __future__ import annotations

from collections.abc import Sequence

from seqrun.errors import SeqrunError
from seqrun.record import RecordError, Store
from seqrun.runner.engine import Engine
from seqrun.runner.opening import BenchFiles
from seqrun.runner.safe import found_on, make_safe


class NotSafe(SeqrunError):
    """The bench could not be brought to its safe state, so no lead may be touched."""

    exit_code = 4


def left_on_record(store: Store, files: BenchFiles) -> list[str]:
    """What the record says when the bench itself has no marker: the last run of a bench of this
    name has a start and no end."""
    if files.demo is not None:
        return []
    try:
        runs = [run for run in store.runs() if run.bench == files.view.bench.name]
    except RecordError as error:
        return [f"whether the last run of this bench ended is not known: {error.found}"]
    if not runs or runs[-1].finished:
        return []
    return [f"a run did not end, or is still going: {runs[-1].run_id} has no end on record"]


def bring_down_first(engine: Engine, left: Sequence[str]) -> None:
    """Tell what the bench was found with, switch it off and wait for its rails.

    Args:
        left: what tells of a run that did not end, in words.

    Raises:
        NotSafe: outputs or rails could not be confirmed; then nobody is asked to move a lead.
    """
    found = found_on(engine.instruments)
    for line in left:
        engine.say(line)
    if not found and not left:
        return
    engine.say(f"found on: {', '.join(found) if found else 'nothing'}; it is brought down first")
    report = make_safe(engine.instruments, engine.clock, engine.view.fed_rails.values())
    if not report.complete:
        raise NotSafe(
            f"the bench could not be brought down: {'; '.join(report.unconfirmed)}",
            expected="every output off and every rail below 2 V before a lead is touched",
            hint="switch it off by hand, measure each rail, then run again",
        )
