"""How often the findings are right, over the fault catalogue of the simulated bench.

Run by hand: ``python tests/benchmarks/bench_findings.py --runs 600``. Each run is a whole
acceptance of a unit of its own seed, healthy one time in six, else with one entry of the catalogue
(faults and bench mistakes alike), in a random channel, at a random severity. A run takes some
seconds of CPU, so what was read is kept in a folder (``--cache``) and a second call only weighs it
again.

A cause counts as right when it is the entry of the catalogue; "and channel" when it also names the
channel (a cause that names none counts). A unit that is given no fault counts as wrong for every
fault, first and in three.

Steps that the shipped sequence does not have and that a cause needs to be seen at all (gain,
response, source impedance, hum, bursts) are put into it; which, is printed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import random
import sys
import tempfile
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import demo_sim
from seqrun.errors import SeqrunError
from seqrun.files.findings.load import findings_for
from seqrun.files.findings.patterns import Patterns, patterns_for
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.judge.findings import Finding, Findings, weigh
from seqrun.record import load_run
from seqrun.record.plain import budget_line, budget_of_entry
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Bound, Judged, Limit, Reading, Verdict

HEALTHY = 1.0 / 6.0
UNIT = "demo-2x40"
NONE = "(no fault)"
#: kind of step -> an entry that does it; put in where the sequence has none of that kind
SIGNAL_STEPS = {
    "gain": 'do = "gain"\nlimit = { between = ["gain - 1 dB", "gain + 1 dB"] }',
    "frequency_response": (
        'do = "frequency_response"\nlow = "20 Hz"\nhigh = "80 kHz"\nper_octave = 1\n'
        'limit = { at_most = "1 dB" }'
    ),
    "thd": 'do = "thd"\nlimit = { at_most = "0.1 %" }',
    "source_impedance": 'do = "source_impedance"\nlimit = { at_most = "0.3 Ω" }',
    "hum": 'each = "channel"\ndo = "hum"\nat = "out.{channel}"\nlimit = { at_most = "1 mV" }',
    "noise_bursts": 'each = "channel"\ndo = "noise_bursts"\nat = "out.{channel}"',
}
#: kinds that show the same
INSTEAD = {"frequency_response": ("upper_corner",), "source_impedance": ("damping_factor",)}
ADDED = "signal_"  # begins their ids
BEFORE = "heat_idle"  # they go in before the metal is warmed


@dataclass(frozen=True)
class Case:
    """One unit: what is wrong with it and its seed."""

    number: int
    name: str  # "" for a healthy one
    channel: str
    severity: float
    seed: int

    @property
    def faults(self) -> tuple[str, ...]:
        if not self.name:
            return ()
        at = f"@{self.channel}" if self.channel else ""
        return (f"{self.name}{at}={self.severity:g}",)


def case(number: int, least: float, most: float, names: list[demo_sim.FaultInfo]) -> Case:
    """The unit of a number: always the same one."""
    rng = random.Random(f"findings {number}")
    seed = rng.randrange(1, 10**6)
    if rng.random() < HEALTHY:
        return Case(number, "", "", 0.0, seed)
    fault = rng.choice(names)
    severity = round(rng.uniform(least, most), 3)
    channel = rng.choice(load_unit(UNIT).channels) if fault.channels else ""
    return Case(number, fault.name, channel, severity, seed)


def sequence_text(name: str) -> tuple[str, list[str]]:
    """The shipped sequence with the steps that it lacks, and which these are."""
    text = find("sequence", name).read_text(encoding="utf-8")
    lacking = [
        kind
        for kind in SIGNAL_STEPS
        if not any(f'do = "{name}"' in text for name in (kind, *INSTEAD.get(kind, ())))
    ]
    added = ""
    for kind in lacking:
        suffix = ".{channel}" if 'each = "channel"' in SIGNAL_STEPS[kind] else ""
        added += f'[[step]]\nid = "{ADDED}{kind}{suffix}"\n{SIGNAL_STEPS[kind]}\n\n'
    mark = f'[[step]]\nid = "{BEFORE}"'
    if added and mark not in text:
        raise SystemExit(f"the sequence has no step '{BEFORE}' to put others before")
    return text.replace(mark, added + mark), lacking


def what_is_read(text: str) -> str:
    """What of a sequence the readings depend on, as text: steps and trips without their words."""
    table = tomllib.loads(text)
    entries = [*table["step"], *table.get("trip", ())]
    plain = [{k: v for k, v in entry.items() if k != "why"} for entry in entries]
    return json.dumps([plain, table.get("decision")], sort_keys=True)


def sources() -> str:
    """A digest of what the readings come from."""
    root = Path(demo_sim.__file__).resolve().parents[1]
    digest = hashlib.sha256()
    for folder in ("demo_sim", "seqrun/steps", "seqrun/measure", "seqrun/runner"):
        for path in sorted((root / folder).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def recorded(one: Case, name: str, text: str, cache: Path, made_with: str) -> dict[str, Any]:
    """What was read of a unit: from the folder, or by a run."""
    what = f"{what_is_read(text)}|{one.faults}|{one.seed}|with budgets"
    key = hashlib.sha256(what.encode()).hexdigest()[:24]
    path = cache / f"{key}.json"
    if path.is_file():
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return found
    with tempfile.TemporaryDirectory() as folder:
        sequence = Path(folder) / f"{Path(name).stem}.toml"
        sequence.write_text(text, encoding="utf-8")
        plan, files = prepare(str(sequence), "demo", UNIT, faults=one.faults, seed=one.seed)
        options = Options("BENCH-1", "", Path(folder) / "results")
        outcome = execute(plan, files, None, Watcher(), options, Interrupts())
        if "interrupted" in outcome.reason:
            raise SystemExit("interrupted")
        rows = load_run(options.results, outcome.run_id).judged
        found = {
            "made_with": made_with,
            "disposition": outcome.disposition.value,
            "reason": outcome.reason,
            "rows": [
                [
                    *(r.step, r.quantity, r.unit, r.value, r.channel, r.bound.value, r.note),
                    *(r.limit_low, r.limit_high, r.verdict.value),
                    r.conformance_probability,
                    json.loads(budget_line(n, r.step, r.quantity, r.reading.budget)),
                ]
                for n, r in enumerate(rows)
            ],
        }
    path.write_text(json.dumps(found, ensure_ascii=False), encoding="utf-8")
    return found


def judged(rows: Iterable[list[Any]]) -> list[Judged]:
    """Rows of the folder as the judge gave them."""
    found = []
    for step, quantity, unit, value, channel, bound, note, low, high, verdict, met, lines in rows:
        budget = budget_of_entry(lines)
        reading = Reading(quantity, unit, value, budget, channel, Bound(bound), (), note)
        limit = None if low is None and high is None else Limit(low, high)
        found.append(Judged(reading, step, limit, "guarded", Verdict(verdict), met))
    return found


def names_it(cause: Finding, one: Case) -> tuple[bool, bool]:
    """Whether a cause is the entry of the catalogue, and in the right channel."""
    base, *rest = cause.id.split(".")
    right = base == one.name
    return right, right and (not rest or not one.channel or rest[0] == one.channel)


@dataclass
class Count:
    """Of the units with one entry: how many, found first, in three, with the channel."""

    units: int = 0
    first: int = 0
    three: int = 0
    first_channel: int = 0
    three_channel: int = 0
    missed: int = 0  # given no fault

    def take(self, found: Findings, one: Case) -> None:
        ranked = [names_it(cause, one) for cause in found.likely[:3]]
        self.units += 1
        self.missed += not found.faulty
        self.first += any(right for right, _ in ranked[:1])
        self.three += any(right for right, _ in ranked)
        self.first_channel += any(both for _, both in ranked[:1])
        self.three_channel += any(both for _, both in ranked)

    def add(self, other: Count) -> None:
        for name in self.__dataclass_fields__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


def share(part: int, whole: int) -> str:
    """``"97.5 %"`` with the standard uncertainty of a proportion (Agresti and Coull's centre)."""
    if not whole:
        return "-"
    centre = (part + 2.0) / (whole + 4.0)
    u = math.sqrt(centre * (1.0 - centre) / (whole + 4.0))
    return f"{100.0 * part / whole:5.1f} % ± {100.0 * u:.1f}"


def show(results: list[tuple[Case, Findings]], least: float, most: float) -> bool:
    """Print everything; True when the wanted rates are reached."""
    counts: dict[str, Count] = defaultdict(Count)
    confusion: dict[str, Counter[str]] = defaultdict(Counter)
    bins: dict[int, list[bool]] = defaultdict(list)
    healthy = spared = 0
    for one, found in results:
        first = found.causes[0].id.split(".")[0] if found.faulty else NONE
        confusion[one.name or NONE][first] += 1
        if one.name:
            counts[one.name].take(found, one)
        else:
            healthy += 1
            spared += not found.faulty
        if found.faulty:
            p = found.causes[0].probability
            bins[min(int(p * 10), 9)].append(bool(one.name) and names_it(found.causes[0], one)[1])
    total = Count()
    print(f"{'true cause':<20}{'units':>6}{'first':>7}{'in 3':>6}{'none':>6}   named first")
    for name in sorted(counts):
        count = counts[name]
        total.add(count)
        named = ", ".join(f"{k} {n}" for k, n in confusion[name].most_common())
        print(
            f"{name:<20}{count.units:>6}{count.first:>7}{count.three:>6}{count.missed:>6}   {named}"
        )
    named = ", ".join(f"{k} {n}" for k, n in confusion[NONE].most_common())
    print(f"{NONE:<20}{healthy:>6}{'':>19}   {named}\n")
    print(f"severities from {least:g} to {most:g}, {len(results)} runs")
    rows = (
        ("true cause first", total.first, total.units, 0.75),
        ("  with its channel", total.first_channel, total.units, None),
        ("true cause in the first three", total.three, total.units, 0.95),
        ("  with its channel", total.three_channel, total.units, None),
        ("healthy units given no fault", spared, healthy, 0.97),
    )
    reached = True
    for words, part, whole, wanted in rows:
        told = f"   (wanted: at least {100.0 * wanted:.0f} %)" if wanted else ""
        print(f"{words:<32}{part:>5} of {whole:<5}{share(part, whole):>17}{told}")
        reached &= wanted is None or not whole or part >= wanted * whole
    print("\nstated probability of the first cause, and how often it was right (with its channel)")
    for low in sorted(bins):
        right = bins[low]
        print(
            f"  {10 * low:>3} to {10 * (low + 1):>3} %{sum(right):>6} of {len(right):<5}"
            f"{share(sum(right), len(right)):>17}"
        )
    return reached


def frequencies(patterns: Patterns, read: list[tuple[Case, dict[str, Any]]], name: str) -> None:
    """Print, for every cause, how often its signs were seen against what the file declares."""
    from seqrun.judge.evidence import evidence_of

    seen: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for one, found in read:
        evidence = evidence_of(patterns, judged(found["rows"]), found["reason"], name)
        for sign, what in evidence.items():
            if what.seen is not None:
                if one.channel and f".{one.channel}" in sign:
                    sign = sign.replace(f".{one.channel}", ".it")
                seen[one.name, sign].append(what.seen)
    declared: dict[tuple[str, str], float] = {}
    for cause in patterns.causes:
        base, *rest = cause.id.split(".")
        for sign, often in cause.seen.items():
            declared[base, sign.replace(f".{rest[0]}", ".it") if rest else sign] = often
    for (true, sign), hits in sorted(seen.items()):
        shown = f"{declared[true, sign]:4.2f}" if (true, sign) in declared else "   -"
        rate = sum(hits) / len(hits)
        if (true, sign) in declared or rate > 0.1:
            print(f"{true or NONE:<20}{sign:<28}declared {shown}  seen {rate:4.2f} of {len(hits)}")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--start", type=int, default=0, help="number of the first unit")
    parser.add_argument("--least", type=float, default=0.3, help="smallest severity")
    parser.add_argument("--most", type=float, default=1.0, help="largest severity")
    parser.add_argument("--sequence", default="acceptance")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument(
        "--cache", type=Path, default=Path(tempfile.gettempdir()) / "seqrun-findings"
    )
    parser.add_argument(
        "--as-shipped", action="store_true", help="leave out what the steps put in have read"
    )
    parser.add_argument("--frequencies", action="store_true", help="signs seen against declared")
    chosen = parser.parse_args()
    chosen.cache.mkdir(parents=True, exist_ok=True)
    name = Path(chosen.sequence).stem
    text, added = sequence_text(chosen.sequence)
    unit = load_unit(UNIT)
    lacking = [] if unit.bridged else ["dead_half_bridge"]
    lacking += [] if unit.paralleled > 1 else ["open_stage"]
    if unit.output_capacitor is None:
        lacking += ["dried_output_capacitor", "leaky_output_capacitor", "midpoint_off"]
    names = [f for f in demo_sim.fault_catalogue() if f.name not in lacking]
    cases = [
        case(n, chosen.least, chosen.most, names)
        for n in range(chosen.start, chosen.start + chosen.runs)
    ]
    made_with = sources()
    print(f"sequence {chosen.sequence}; put into it: {', '.join(added) or 'nothing'}")
    for fault in lacking:
        print(f"{fault} is left out: {unit.model} cannot have it")
    read: list[tuple[Case, dict[str, Any]]] = []
    with ProcessPoolExecutor(chosen.workers) as pool:
        waiting = [
            pool.submit(recorded, one, chosen.sequence, text, chosen.cache, made_with)
            for one in cases
        ]
        for one, future in zip(cases, waiting, strict=True):
            try:
                read.append((one, future.result()))
            except SeqrunError as error:
                print(f"unit {one.number} {one.faults}: {str(error).splitlines()[0]}")
            if sys.stderr.isatty():
                print(f"\r{len(read)} of {len(cases)}", end="", file=sys.stderr)
    older = sum(1 for _, found in read if found["made_with"] != made_with)
    if older:
        print(f"{older} runs are from the folder and were made with other sources than these")
    if chosen.as_shipped:
        print("readings of the steps put in are left out")
        for _, found in read:
            found["rows"] = [row for row in found["rows"] if not row[0].startswith(ADDED)]
    file = findings_for(name)
    assert file is not None, "no findings file is for this sequence"
    patterns = patterns_for(file, unit)
    if chosen.frequencies:
        frequencies(patterns, read, name)
    results = [
        (one, weigh(patterns, judged(found["rows"]), found["reason"], name)) for one, found in read
    ]
    return 0 if show(results, chosen.least, chosen.most) else 1


if __name__ == "__main__":
    sys.exit(main())
