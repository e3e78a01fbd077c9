"""Which faults the shipped acceptance catches, in the catalogue and beside it, and what it names.

    nice python tests/benchmarks/bench_catch.py [--seeds 3] [--fault NAME[@CHANNEL][=SEVERITY] …]
        [--severity S …] [--neighbours | --catalogue] [--file catch.csv] [--processes N]
        [--to-first-fail]

Each run is a whole acceptance of a unit of its own seed, the channel changing with the seed; its
row goes into the file at once, and a second call goes on from there. Prints what was caught of each
fault, what failed first and what the findings named; then the rates with their exact intervals.
Faults that the unit cannot have are named. Exits 1 when a fault at its
usual severity passed, or a healthy unit was rejected.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from functools import partial
from importlib import import_module
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import fourth_neighbours  # noqa: F401
import neighbours
import third_neighbours  # noqa: F401

from demo_sim import fault_catalogue
from seqrun.files.unit.sheet import load_unit
from seqrun.measure.proportion import exact_interval
from seqrun.study.acceptance import HEALTHY, StudyCase, StudyRow, accept_many, run_case


def catch_case(case: StudyCase, version: str, to_first_fail: bool = False) -> StudyRow:
    """One run; a process of its own does not know the neighbours yet."""
    sys.path.insert(0, str(Path(__file__).parent))
    import_module("third_neighbours")
    import_module("fourth_neighbours")
    return run_case(case, version, to_first_fail=to_first_fail)


def cases(given: argparse.Namespace) -> list[StudyCase]:
    """Every fault at every seed; where no channel is named, the channel changes with the seed."""
    unit = load_unit(given.unit)
    info = {fault.name: fault for fault in fault_catalogue()}
    usual = [n for n, f in info.items() if f.kind == "fault"]
    if given.neighbours:
        usual = list(neighbours.NEIGHBOURS)
    elif given.catalogue:
        usual = [n for n in usual if n not in neighbours.NEIGHBOURS]
    wanted = given.fault or [HEALTHY, *usual]
    found = []
    for seed in range(given.first, given.first + given.seeds):
        for text in wanted:
            name = text.split("@")[0].split("=")[0]
            if text != HEALTHY and "@" not in text and info[name].channels:
                channel = unit.channels[seed % len(unit.channels)]
                text = text.replace(name, f"{name}@{channel}", 1)
            texts = [text]
            if given.severity and text != HEALTHY and "=" not in text:
                texts = [f"{text}={s:g}" for s in given.severity]
            found += [StudyCase("acceptance", given.unit, given.bench, t, seed) for t in texts]
    return found


def of_class(row: StudyRow) -> str:
    """The fault without its channel."""
    name, _, severity = row.faults.partition("=")
    return name.split("@")[0] + (f"={severity}" if severity else "")


def rate(words: str, count: int, of: int) -> str:
    if not of:
        return f"{words}: none"
    low, high = exact_interval(count, of)
    return f"{words}: {count} of {of} (exact 95 %: {100 * low:.1f} to {100 * high:.1f} %)"


def named(row: StudyRow) -> bool:
    """Whether the cause is the fault, with its channel."""
    name, _, channel = row.faults.split("=")[0].partition("@")
    return row.cause in (name, f"{name}.{channel}")


def show(rows: list[StudyRow]) -> bool:
    """Print everything; True when nothing passed and no healthy unit was rejected."""
    made = [row for row in rows if row.disposition]
    print(f"{'fault':<24}{'runs':>5}{'caught':>7}{'named':>6}   failed first; what was named")
    for fault in dict.fromkeys(map(of_class, made)):
        these = [row for row in made if of_class(row) == fault]
        first = Counter(row.first_fail or row.disposition for row in these)
        cause = Counter(row.cause or "nothing" for row in these)
        words = ", ".join(f"{k} {n}" for k, n in first.most_common(3))
        words += "; " + ", ".join(f"{k} {n}" for k, n in cause.most_common(3))
        caught = sum(row.caught for row in these)
        print(f"{fault:<24}{len(these):>5}{caught:>7}{sum(map(named, these)):>6}   {words}")
    healthy = [row for row in made if row.faults == HEALTHY]
    others = [row for row in made if row.faults != HEALTHY]
    beside = [row for row in others if of_class(row).split("=")[0] in neighbours.NEIGHBOURS]
    known = [row for row in others if row not in beside]
    rejected = sum(row.disposition == "reject" for row in healthy)
    print(rate("of the catalogue, caught", sum(r.caught for r in known), len(known)))
    print(rate("of the catalogue, named", sum(map(named, known)), len(known)))
    print(rate("beside the catalogue, caught", sum(r.caught for r in beside), len(beside)))
    print(rate("accepted with a true value outside", sum(r.false_accept for r in made), len(made)))
    print(rate("healthy, accepted", sum(not r.caught for r in healthy), len(healthy)))
    for row in rows:
        if row.refused:
            print(f"not run: {row.faults}: {row.refused}")
        elif not row.caught and row.faults != HEALTHY:
            print(f"PASSED: {row.faults} in the unit of seed {row.seed}")
    return all(row.caught for row in others) and not rejected


def arguments(words: str | None, file: str) -> argparse.ArgumentParser:
    """Those of a benchmark of whole runs, which go on where its file ends."""
    parser = argparse.ArgumentParser(
        description=words, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--unit", default="demo-2x40")
    parser.add_argument("--fault", action="append")
    parser.add_argument("--file", type=Path, default=Path(file))
    parser.add_argument("--processes", type=int, default=1)
    return parser


def main() -> int:
    parser = arguments(__doc__, "bench-catch.csv")
    parser.add_argument("--bench", default="demo")
    parser.add_argument("--severity", action="append", type=float)
    only = parser.add_mutually_exclusive_group()
    only.add_argument("--neighbours", action="store_true", help="only those in no catalogue")
    only.add_argument("--catalogue", action="store_true", help="only those in it")
    parser.add_argument(
        "--to-first-fail",
        action="store_true",
        help="end a run with the step that fails first: caught or not, in half the time",
    )
    given = parser.parse_args()

    def told(done: int, of: int) -> None:
        print(f"\r{done} of {of}", end="", file=sys.stderr, flush=True)

    work = partial(catch_case, to_first_fail=given.to_first_fail)
    rows = accept_many(cases(given), given.file, processes=given.processes, work=work, told=told)
    print(file=sys.stderr)
    return 0 if show(rows) else 1


if __name__ == "__main__":
    sys.exit(main())
