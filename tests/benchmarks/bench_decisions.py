"""How often decisions err, over 400 units drawn across each limit. Aim: guarded acceptance takes no
more than 2.5 % of the units that do not conform.

    python tests/benchmarks/bench_decisions.py [--benches 400] [--quantity NAME] [--processes 2]
"""

from __future__ import annotations

import argparse
import sys

from seqrun.study.decisions import judge_many
from seqrun.study.tables import decision_table


def main() -> int:
    parser = argparse.ArgumentParser(description="Errors of decisions under uncertainty.")
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--quantity", default=None)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    found = judge_many(
        asked.quantity,
        asked.benches,
        first_seed=asked.first_seed,
        processes=asked.processes,
    )
    for line in decision_table(found):
        print(line)
    return 0 if all(one.honest for one in found) else 1


if __name__ == "__main__":
    sys.exit(main())
