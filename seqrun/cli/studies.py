"""Commands about many simulated runs: do stated uncertainties and decisions keep their word?"""

from __future__ import annotations

import sys


def coverage_command(
    *, quantity: str | None, benches: int, seed: int, processes: int, bench: str = "demo"
) -> int:
    """Print how often intervals hold the truth; 1 when a quantity lies outside the aims."""
    from seqrun.study.coverage import cover
    from seqrun.study.tables import coverage_table

    found = cover(
        quantity, benches, first_seed=seed, processes=processes, bench=bench, told=_progress
    )
    _clear()
    for line in coverage_table(found):
        print(line)
    return 0 if all(one.honest for one in found) else 1


def decisions_command(*, quantity: str | None, benches: int, seed: int, processes: int) -> int:
    """Print how often decisions err; 1 when guarded acceptance takes more than it may."""
    from seqrun.study.decisions import judge_many
    from seqrun.study.tables import decision_table

    found = judge_many(quantity, benches, first_seed=seed, processes=processes, told=_progress)
    _clear()
    for line in decision_table(found):
        print(line)
    return 0 if all(one.honest for one in found) else 1


def _progress(what: str, done: int, of: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{what}: bench {done} of {of}\x1b[K", end="", file=sys.stderr, flush=True)


def _clear() -> None:
    if sys.stderr.isatty():
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)
