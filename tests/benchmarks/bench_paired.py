"""The shipped acceptance beside the same with long soaks, and with fixed waits of five time
constants: bench time and dispositions, paired on units and faults.

    nice python tests/benchmarks/bench_paired.py [--seeds 2] [--fault NAME … | --catalogue]
        [--unit demo-2x40] [--beside long | --beside fixed] [--file paired.csv] [--processes N]

``long`` waits in each soak until the rise has settled by the rule (3 K in half an hour), ``fixed``
waits five of the unit sheet's time constants and settles; all else is the shipped file. Every run
is a row of the file at once; a second call goes on from there. Prints times, ratios, the table of
dispositions, and what violated a limit in truth and was accepted. Exits 1 when something was, when
more than 1 in 100 dispositions differ, or when the ratio to ``fixed`` on healthy units is above
0.35.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path
from statistics import mean

import neighbours
from bench_catch import arguments, rate

from demo_sim import fault_catalogue
from seqrun.files.shipped import shipped
from seqrun.files.unit.sheet import load_unit
from seqrun.study.acceptance import HEALTHY, StudyCase, StudyRow, accept_many

TIME_CONSTANTS = 5.0
MOST_APART, MOST_OF_FIXED = 0.01, 0.35
NOT_OF_THIS_UNIT = (
    "dead_half_bridge",
    "open_stage",
    "dried_output_capacitor",
    "leaky_output_capacitor",
    "midpoint_off",
)
SHIPPED = "acceptance"


def variants(folder: Path, tau_s: float) -> dict[str, str]:
    """Names of sequences: the shipped one, and two made from its text."""
    text = shipped("sequence")[SHIPPED].read_text(encoding="utf-8")
    decided = 'until = "decided"\n'
    if text.count(decided) != 2:
        raise SystemExit("the shipped acceptance no longer has two soaks that end when decided")
    faster = [line for line in text.splitlines(keepends=True) if line.startswith("then_power = ")]
    if len(faster) != 1:
        raise SystemExit("the shipped acceptance no longer has one soak that is heated on faster")
    fixed = f'until = "settled"\nat_least = "{TIME_CONSTANTS * tau_s:g} s"\n'
    made = {"long": 'until = "settled"\n', "fixed": fixed}
    found = {"shipped": SHIPPED}
    waits = text.replace(faster[0], "").replace(
        'at_most = "40 min"', 'at_most = "90 min"'
    )  # five time constants fit in
    for name, soak in made.items():
        path = folder / f"{name}.toml"
        path.write_text(waits.replace(decided, soak), encoding="utf-8")
        found[name] = str(path)
    return found


def show(rows: dict[str, list[StudyRow]]) -> bool:
    """Print everything; True when all goals are met."""
    good = True
    healthy = {
        name: [row.bench_s for row in these if row.faults == HEALTHY and row.disposition]
        for name, these in rows.items()
    }
    for name, seconds in healthy.items():
        if seconds and healthy["shipped"]:
            ratio = mean(healthy["shipped"]) / mean(seconds)
            minutes = mean(seconds) / 60.0
            print(
                f"{name:<8} {minutes:6.1f} min on {len(seconds)} healthy units; shipped {ratio:.2f}"
            )
            good &= name != "fixed" or ratio <= MOST_OF_FIXED
    for name, these in rows.items():
        pairs = [
            (one, other)
            for one, other in zip(rows["shipped"], these, strict=True)
            if one.disposition and other.disposition
        ]
        false = [row for row in these if row.false_accept]
        print(rate(f"{name}: accepted with a true value outside", len(false), len(pairs)))
        good &= name != "shipped" or not false
        if name == "shipped":
            continue
        table = Counter((one.disposition, other.disposition) for one, other in pairs)
        apart = sum(count for (one, other), count in table.items() if one != other)
        print(rate(f"shipped and {name} differ", apart, len(pairs)))
        good &= apart <= MOST_APART * len(pairs)
        for (one, other), count in sorted(table.items()):
            print(f"    shipped {one:<8} {name} {other:<8} {count}")
        for one, other in pairs:
            if one.disposition != other.disposition:
                print(f"    {one.faults}, seed {one.seed}: {one.reason} | {other.reason}")
    return good


def main() -> int:
    parser = arguments(__doc__, "bench-paired.csv")
    parser.add_argument("--catalogue", action="store_true")
    parser.add_argument("--beside", action="append", choices=["long", "fixed"])
    given = parser.parse_args()
    names = [f.name for f in fault_catalogue() if f.kind == "fault"]
    names = [n for n in names if n not in (*NOT_OF_THIS_UNIT, *neighbours.NEIGHBOURS)]
    faults = given.fault or [HEALTHY, *(names if given.catalogue else ())]
    tau_s = load_unit(given.unit).sink_time_constant or 540.0
    seeds = range(given.first, given.first + given.seeds)
    # The same paths at every call, so that rows of an earlier one are found again.
    folder = Path(tempfile.gettempdir()) / "bench-paired"
    folder.mkdir(exist_ok=True)
    wanted = {"shipped", *(given.beside or ("long", "fixed"))}
    made = {name: path for name, path in variants(folder, tau_s).items() if name in wanted}
    cases = [
        StudyCase(sequence, given.unit, "demo", fault, seed)
        for seed in seeds
        for fault in faults
        for sequence in made.values()
    ]
    done = accept_many(cases, given.file, processes=given.processes)
    rows = {
        name: [row for row in done if row.sequence == sequence] for name, sequence in made.items()
    }
    return 0 if show(rows) else 1


if __name__ == "__main__":
    sys.exit(main())
