"""How often value ± U holds the truth, over 400 simulated benches for each quantity. Aims: 93 % or
more, with U no wider than 1.3 times the narrowest interval that would have held 95 % of the errors.

    python tests/benchmarks/bench_coverage.py [--benches 400] [--quantity NAME] [--processes 2]
        [--bench demo:dirty]
"""

from __future__ import annotations

import argparse
import sys
import time

from seqrun.study.coverage import chosen, cover
from seqrun.study.tables import COVERAGE_FOOT, COVERAGE_HEAD, coverage_line


def main() -> int:
    parser = argparse.ArgumentParser(description="Coverage of stated uncertainties.")
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--quantity", default=None)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--bench", default="demo:clean", help="such as demo:dirty")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    honest = True
    print(COVERAGE_HEAD)
    for group, _ in chosen(asked.quantity):
        began = time.perf_counter()
        name = asked.quantity or group.name
        for one in cover(
            name,
            asked.benches,
            first_seed=asked.first_seed,
            processes=asked.processes,
            bench=asked.bench,
        ):
            honest &= one.honest
            print(coverage_line(one))
        print(f"  {group.name}: {asked.benches} benches in {time.perf_counter() - began:.0f} s")
        sys.stdout.flush()
    print(COVERAGE_FOOT)
    return 0 if honest else 1


if __name__ == "__main__":
    sys.exit(main())
