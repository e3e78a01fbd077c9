"""How often value ± U holds the truth: each quantity on clean and on dirty simulated benches.

    python tests/benchmarks/bench_coverage.py [--benches 30] [--quantity NAME] [--unit SHEET]
                                              [--processes 1]

For each: held of n readings, and the 95 % interval of that share (Wilson), over as many benches of
either kind, each with errors, dirt and unit of its own. Aim: 93 % or more. ``!``: the interval lies
below; ``*``: the share does, by chance perhaps; ``wide``: always held, and no error reaches a fifth
of U. Exit 1 with any ``!``.
"""

from __future__ import annotations

import argparse
import sys
import time

from seqrun.measure.proportion import wilson_interval
from seqrun.study.coverage import LEAST_COVERAGE, Coverage, chosen, cover

HEAD = f"{'quantity':26s} {'clean':^28s}  {'dirty':^28s}"


def main() -> int:
    parser = argparse.ArgumentParser(description="Coverage of stated uncertainties.")
    parser.add_argument("--benches", type=int, default=30)
    parser.add_argument("--quantity", default=None, help="one quantity, or a group of them")
    parser.add_argument("--unit", default=None, help="sheet of another unit than each group's own")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    honest = True
    print(HEAD)
    for group, _ in chosen(asked.quantity):
        began = time.process_time()
        clean, dirty = (
            cover(
                asked.quantity or group.name,
                asked.benches,
                first_seed=asked.first_seed,
                processes=asked.processes,
                bench=f"demo:{kind}",
                unit=asked.unit,
            )
            for kind in ("clean", "dirty")
        )
        for one, other in zip(clean, dirty, strict=True):
            honest &= sure(one) and sure(other)
            print(f"{one.name:26s} {told(one)}  {told(other)}", flush=True)
        print(f"  {group.name}: {time.process_time() - began:.0f} s of processor", flush=True)
    return 0 if honest else 1


def sure(one: Coverage) -> bool:
    """Whether chance alone may explain what it lacks."""
    return one.interval[1] >= LEAST_COVERAGE


def told(one: Coverage) -> str:
    """One side of the table."""
    held, total = one.held + one.bounds_held, one.readings + one.bounds
    if not total:
        return f"{'not read':28s}"
    low, high = wilson_interval(held, total)
    mark = "!" if high < LEAST_COVERAGE else "*" if held / total < LEAST_COVERAGE else " "
    bounds = f" {one.bounds} at most" if one.bounds else ""
    wide = " wide" if one.farthest < 0.2 and one.readings >= 20 else ""
    share = f"{held}/{total} {100 * low:.0f}-{100 * high:.0f} %{mark}"
    return f"{share + bounds + wide:28s}"


if __name__ == "__main__":
    sys.exit(main())
