"""Files -> a checked plan: what ``run``, ``plan`` and ``check`` have in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from seqrun.files.bench import load_bench
from seqrun.files.driver import load_driver
from seqrun.files.expand import expand_all
from seqrun.files.kinds import kind_of
from seqrun.files.sequence import load_sequence
from seqrun.files.shipped import find
from seqrun.files.unit import load_unit
from seqrun.plan.build import Plan, build
from seqrun.plan.outlook import ENOUGH, outlooks, refuse_undecidable
from seqrun.plan.reach import beyond_the_switch
from seqrun.runner.opening import BenchFiles, read_bench
from seqrun.runner.papers import against_release
from seqrun.steps.base import kinds, measurands


def prepare(
    sequence: str,
    bench: str | None,
    unit: str | None,
    *,
    faults: Sequence[str] = (),
    seed: int = 1,
    may_be_undecidable: bool = False,
) -> tuple[Plan, BenchFiles]:
    """Read all files and plan the run; nothing is opened.

    Args:
        may_be_undecidable: plan even what this bench cannot decide (to show it, not to run it).

    Raises:
        SeqrunError: naming file, step and key.
    """
    file = load_sequence(find("sequence", sequence), kinds())
    files = read_bench(bench, unit, sequence_unit=file.unit or None, faults=faults, seed=seed)
    steps = expand_all(file, files.view.unit)
    plan = build(file, files.view, steps)
    if not may_be_undecidable:
        refuse_undecidable(plan)
    weak = [
        f"{o.step}: test uncertainty ratio {o.ratio:.1f}, below {ENOUGH:g}:1"
        for o in outlooks(plan)
        if o.word == "weak"
    ]
    papers = against_release(files.view.bench, files.view.drivers, datetime.now(UTC).date())
    told = [f"{line}: no accept from this bench releases a unit" for line in papers]
    told += [
        f"the switch does not reach {node} with {terminal}: the operator is asked, and with --yes "
        "what needs it is not measured"
        for terminal, node in beyond_the_switch(plan)
    ]
    return replace(plan, warnings=(*plan.warnings, *weak, *told)), files


def check_file(path: Path) -> str:
    """Validate one file of any kind; what it is, in words.

    Raises:
        FileError: what is wrong.
    """
    kind = kind_of(path)
    if kind == "sequence":
        found = load_sequence(path, kinds())
        return f"sequence '{found.title}', revision {found.revision}, {len(found.step)} steps"
    if kind == "unit":
        return f"unit sheet '{load_unit(path).model}'"
    if kind == "bench":
        return f"bench '{load_bench(path).name}'"
    if kind == "findings":
        from seqrun.files.findings import load_findings

        file = load_findings(path, {name: q.unit for name, q in measurands().items()})
        return f"findings '{file.title}', revision {file.revision}, {len(file.cause)} causes"
    if kind == "costs":
        from seqrun.files.costs import load_costs

        return f"cost sheet in {load_costs(path).currency}"
    return f"driver '{load_driver(path).name}'"
