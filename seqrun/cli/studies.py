"""Commands about many simulated runs: do stated uncertainties and decisions keep their word?"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from seqrun.study.coverage import Coverage

from seqrun.report.shared.cleaned import through


def coverage_command(
    *,
    quantity: str | None,
    benches: int,
    seed: int,
    processes: int,
    kinds: Sequence[str] = (),
    unit: str | None = None,
) -> int:
    """Print how often intervals hold the truth; 1 when a quantity lies outside the aims.

    Args:
        kinds: "clean", "dirty"; none or both: both, side by side.
        unit: another one than each group's own; groups that cannot be read of it are told.
    """
    from seqrun.errors import SeqrunError
    from seqrun.study.coverage import cover, groups_of
    from seqrun.study.tables import both_line, both_table, coverage_table, untold_lines

    def on(kind: str, one: str | None) -> list[Coverage]:
        return cover(
            one,
            benches,
            first_seed=seed,
            processes=processes,
            bench=f"demo:{kind}",
            unit=unit,
            told=lambda what, done, of: _progress(f"{what}, {kind} benches", done, of),
        )

    if len(kinds) == 1:
        found = on(kinds[0], quantity)
        _clear()
        for line in coverage_table(found):
            print(line)
        return 0 if all(one.honest for one in found) else 1
    head, foot = both_table()
    print(head)
    well = True
    for name in groups_of(quantity):
        try:
            pairs = list(zip(on("clean", name), on("dirty", name), strict=True))
        except SeqrunError as error:
            if unit is None or quantity is not None:
                raise
            _clear()
            print(f"{name}: not of this unit: {error.found}")
            continue
        _clear()
        for clean, dirty in pairs:
            if unit is not None and not clean.benches + dirty.benches:
                continue  # this unit has none of it
            print(both_line(clean, dirty))
            well &= clean.honest and dirty.held_enough
    print(foot)
    if quantity is None:
        for line in untold_lines():
            print(line)
    return 0 if well else 1


def decisions_command(*, quantity: str | None, benches: int, seed: int, processes: int) -> int:
    """Print how often decisions err; 1 when guarded acceptance takes more than it may."""
    from seqrun.study.decisions import judge_many
    from seqrun.study.tables import decision_table

    found = judge_many(quantity, benches, first_seed=seed, processes=processes, told=_progress)
    _clear()
    for line in decision_table(found):
        print(line)
    return 0 if all(one.honest for one in found) else 1


def acceptance_command(
    *,
    sequence: str,
    units: Sequence[str],
    faults: Sequence[str],
    severities: Sequence[float],
    seeds: int,
    seed: int,
    bench: str,
    file: Path,
    processes: int | None,
    scheduler: str | None,
) -> int:
    """Print what whole runs decided, held against the truth; 1 with a false accept."""
    from seqrun.study.acceptance import accept_many, cases_of, catalogue, checked
    from seqrun.study.running import cores
    from seqrun.study.tables import acceptance_table

    wanted = checked(faults, severities) if faults else catalogue(severities)
    cases = cases_of(sequence, units, wanted, range(seed, seed + seeds), bench)
    rows = accept_many(
        cases,
        file,
        processes=processes or cores(),
        scheduler=scheduler,
        told=lambda done, of: _progress("acceptance", done, of),
    )
    _clear()
    for line in acceptance_table(rows):
        print(line)
    print(f"{len(rows)} runs, a row each in {file}")
    return 1 if any(row.false_accept for row in rows) else 0


def _progress(what: str, done: int, of: int) -> None:
    if sys.stderr.isatty():
        said = f"\r{what}: {done} of {of}\x1b[K"
        print(said, end="", file=through(sys.stderr), flush=True)


def _clear() -> None:
    if sys.stderr.isatty():
        print("\r\x1b[K", end="", file=through(sys.stderr), flush=True)
