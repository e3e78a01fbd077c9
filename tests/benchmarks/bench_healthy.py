"""How many healthy units each shipped sequence accepts.

A finding that is likelier than none holds an accept, so that a sign inside what a healthy unit may
be costs everybody time.

    python tests/benchmarks/bench_healthy.py [--seeds 6] [--bench demo] [--sequence NAME …]

Prints each run as it is done, then a line for each sequence and unit, and why each unit that was
not accepted was not; exits 1 when fewer than 95 in a hundred are accepted.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path

WANTED = 0.95
UNITS = {
    "intake": ("demo-2x40", "demo-bridged", "demo-mono", "demo-receiver", "demo-single"),
    "quick": ("demo-2x40", "demo-bridged", "demo-mono"),
    "sharing": ("demo-2x40", "demo-bridged", "demo-mono"),
    "supplies": ("demo-2x40", "demo-receiver"),
    "relays": ("demo-2x40", "demo-bridged", "demo-receiver"),
    "preamp": ("demo-receiver",),
    "isolate": ("demo-2x40", "demo-receiver", "demo-single"),
    "acceptance": (
        "demo-2x40",
        "demo-bridged",
        "demo-integrated",
        "demo-mono",
        "demo-receiver",
        "demo-single",
    ),
}


def one(sequence: str, unit: str, seed: int, bench: str) -> tuple[str, str, int, str, str, float]:
    """Disposition, reason and bench time of one healthy unit."""
    from seqrun.runner.events import Watcher
    from seqrun.runner.preparation import prepare
    from seqrun.runner.run import Options, execute
    from seqrun.runner.signals import Interrupts

    with tempfile.TemporaryDirectory() as folder:
        plan, files = prepare(sequence, bench, unit, seed=seed)
        options = Options("HEALTHY", "", Path(folder))
        done = execute(plan, files, None, Watcher(), options, Interrupts())
    return sequence, unit, seed, str(done.disposition), done.reason, done.bench_s


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--seeds", type=int, default=6)
    arguments.add_argument("--first", type=int, default=1)
    arguments.add_argument("--bench", default="demo")
    arguments.add_argument("--sequence", action="append", choices=UNITS)
    given = arguments.parse_args()
    seeds = range(given.first, given.first + given.seeds)
    todo = [
        (name, unit, seed, given.bench)
        for name in given.sequence or UNITS
        for unit, seed in product(UNITS[name], seeds)
    ]
    done = []
    with ProcessPoolExecutor() as pool:
        for run in pool.map(one, *zip(*todo, strict=True)):
            done.append(run)
            name, unit, seed, disposition, _, seconds = run
            words = f"{name} {unit}, seed {seed}: {disposition}, {seconds / 60.0:.1f} min"
            print(f"{len(done)} of {len(todo)}: {words}", flush=True)
    for name, unit in dict.fromkeys((d[0], d[1]) for d in done):
        runs = [d for d in done if d[:2] == (name, unit)]
        good = sum(d[3] == "accept" for d in runs)
        minutes = sorted(d[5] / 60.0 for d in runs)
        print(
            f"{name:<11} {unit:<14} {good} of {len(runs)} accepted, "
            f"{minutes[0]:.1f} to {minutes[-1]:.1f} min, mean {sum(minutes) / len(minutes):.1f}"
        )
        for *_, seed, disposition, reason, _ in (d for d in runs if d[3] != "accept"):
            print(f"    seed {seed}: {disposition}: {reason}")
    accepted = sum(d[3] == "accept" for d in done) / len(done)
    print(f"{100.0 * accepted:.1f} % of {len(done)} accepted; wanted {100.0 * WANTED:g} %")
    return 0 if accepted >= WANTED else 1


if __name__ == "__main__":
    sys.exit(main())
