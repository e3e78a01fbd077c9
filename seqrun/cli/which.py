"""Which run a person means: a run id, a part of it, ``last``, or a unit's serial number."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from seqrun.errors import UsageError
from seqrun.files.command import command
from seqrun.record import RunData, RunRow, Store, load_run
from seqrun.values import Disposition, Verdict


def chosen(
    results: Path, name: str, *, wanted: Callable[[RunRow], bool] | None = None, what: str = "run"
) -> RunData:
    """The run that a name stands for; said when it was chosen by a serial number.

    Args:
        wanted: which of a unit's runs may be meant, the latest of them; any when left out.
        what: those in words, for "latest ...".

    Raises:
        RecordError: no run is so named, or several are.
        UsageError: the unit has runs, and none of those that are wanted.
    """
    of_unit = Store(results).runs(name)
    if not of_unit:
        return load_run(results, name)
    fitting = [run for run in of_unit if wanted is None or wanted(run)]
    if not fitting:
        last = of_unit[-1]
        raise UsageError(
            f"no {what} is on record; its latest run is {last.disposition.value}",
            expected=f"a unit that has one, or the id of an {what}",
            where=name,
            hint=f"'{command('unit', name, results=results)}' shows its runs and the next step",
        )
    run = fitting[-1]
    print(f"{name}: latest {what} is {run.run_id} ({run.sequence}, {run.disposition.value})")
    return load_run(results, run.run_id)


def before_and_after(results: Path, before: str, after: str | None) -> tuple[RunData, RunData]:
    """Two runs to compare: both named, or the latest of a unit and the last one of the same kind
    before it that was no accept (else the earliest). Where none is of the same kind, the one of
    which the most complaints are read again, the last of equals.

    Raises:
        UsageError: the unit has no two runs that may stand beside each other.
    """
    if after is not None:
        return chosen(results, before), chosen(results, after)
    runs = Store(results).runs(before)
    if not runs:
        Store(results).run("last")  # an empty record is told as such
        raise UsageError(
            f"'{before}' is one run, or none",
            expected="two runs, or the serial number of a unit with two",
            where="seqrun compare",
            hint=f"'{command('history', results=results)}' tells of the models on record, "
            f"'{command('live', results=results)}' lists every run",
        )
    last = runs[-1]
    earlier = [run for run in runs[:-1] if run.simulated is last.simulated]
    alike = [run for run in earlier if run.sequence == last.sequence] or earlier
    if not alike:
        raise UsageError(
            f"{before} has one run",
            expected="two runs of the unit",
            where="seqrun compare",
            hint=f"'{command('unit', before, results=results)}' shows it and the next step",
        )
    bad = [run for run in alike if run.disposition is not Disposition.ACCEPT]
    first = bad[-1] if bad else alike[0]
    after_it = load_run(results, last.run_id)
    if len(bad) > 1 and first.sequence != last.sequence:
        first = max(reversed(bad), key=lambda run: _read_again(results, run, after_it))
    print(f"{before}: {first.run_id} ({first.sequence}, {first.disposition.value}) before,")
    print(f"{'':{len(before)}}  {last.run_id} ({last.sequence}, {last.disposition.value}) after")
    return load_run(results, first.run_id), after_it


def _read_again(results: Path, before: RunRow, after: RunData) -> int:
    """How many of a run's failed limits are of quantities and channels that the later run read."""
    read = {(j.reading.quantity, j.channel) for j in after.judged}
    return sum(
        (j.reading.quantity, j.channel) in read
        for j in load_run(results, before.run_id).judged
        if j.verdict in {Verdict.FAIL, Verdict.CONDITIONAL_FAIL}
    )
