"""Whether a run is proof enough to hand its unit out.

A release rests on one finished run whose disposition is accept, by a sequence that says
``releases = true``, that ended with everything shown to be off and discharged and whose record is
whole; and on no later run of the unit that says otherwise. All of it is our own rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from seqrun.errors import UsageError
from seqrun.values import Disposition


class Ended(Protocol):
    """A run, as ``runs.csv`` has it."""

    @property
    def run_id(self) -> str: ...
    @property
    def started_utc(self) -> str: ...
    @property
    def serial(self) -> str: ...
    @property
    def model(self) -> str: ...
    @property
    def sequence(self) -> str: ...
    @property
    def disposition(self) -> Disposition: ...
    @property
    def reason(self) -> str: ...
    @property
    def simulated(self) -> bool: ...
    @property
    def finished(self) -> bool: ...


def refuse_release(
    run: Ended,
    *,
    releases: bool,
    unconfirmed: Sequence[str] = (),
    missing: Sequence[str] = (),
    others: Sequence[Ended] = (),
) -> None:
    """Say why a run releases nothing; come back in silence when it does.

    Args:
        releases: its sequence's accept is proof enough to release a unit.
        unconfirmed: what was not shown to be off or discharged when it ended.
        missing: what its record has lost, in words.
        others: runs on record, to see whether a later one of this unit says otherwise. A simulated
            run says nothing about a real unit, nor the reverse.

    Raises:
        UsageError: with what was found and what to do about it.
    """
    if not run.finished or run.disposition is not Disposition.ACCEPT:
        what = run.disposition.value if run.finished else "not finished"
        raise UsageError(
            f"the run is {what}: {run.reason}" if run.reason else f"the run is {what}",
            expected="a run whose disposition is accept",
            where=run.run_id,
            hint="seqrun report shows what decided it",
        )
    if missing:
        raise UsageError(
            f"the record of this run is not whole: {'; '.join(missing)}",
            expected="every row and file that the run wrote, unchanged",
            where=run.run_id,
            hint="bring the record back from its copy, or do the acceptance again",
        )
    if not releases:
        raise UsageError(
            f"an accept by the sequence '{run.sequence}' does not release a unit",
            expected="a run of a sequence that says releases = true, such as acceptance",
            where=run.run_id,
            hint="do the acceptance, and release the unit on that run",
        )
    if unconfirmed:
        raise UsageError(
            f"the run's safe state could not be confirmed: {'; '.join(unconfirmed)}",
            expected="a run that ended with everything shown to be off and discharged",
            where=run.run_id,
            hint="do the sequence again",
        )
    for other in others:
        later = (other.started_utc, other.run_id) > (run.started_utc, run.run_id)
        same = (other.serial, other.model) == (run.serial, run.model)
        kind = other.simulated is run.simulated
        if later and same and kind and other.disposition is not Disposition.ACCEPT:
            raise UsageError(
                f"a later run of this unit is {other.disposition.value}: {other.run_id}",
                expected="that the latest run of the unit is an accept",
                where=run.run_id,
                hint="test the unit again, and release it on that run",
            )


def refuse_before(run: Ended, before: Ended) -> None:
    """Say why a run cannot stand on the sheet as the one before the repair.

    Raises:
        UsageError: it is of another unit, or not an earlier one.
    """
    if (before.serial, before.model) != (run.serial, run.model):
        raise UsageError(
            f"the run before is of {before.model} {before.serial}",
            expected=f"a run of {run.model} {run.serial}",
            where="--before",
        )
    if before.started_utc >= run.started_utc:
        raise UsageError(
            "the run before is not an earlier one", where="--before", expected="an earlier run"
        )
