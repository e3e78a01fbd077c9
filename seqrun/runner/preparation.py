"""Files -> a checked plan: what ``run``, ``plan`` and ``check`` have in common."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

from seqrun.errors import SeqrunError
from seqrun.files.bench.load import load_bench
from seqrun.files.driver.load import load_driver
from seqrun.files.kinds import kind_of
from seqrun.files.sequence.expand import expand_all, is_for
from seqrun.files.sequence.file import Sequence as SequenceFile
from seqrun.files.sequence.load import load_sequence
from seqrun.files.shipped import Kind, find, shipped
from seqrun.files.unit.sheet import load_unit
from seqrun.plan import leads
from seqrun.plan.actions import OPERATOR_S, Plan
from seqrun.plan.build import build, together
from seqrun.plan.ohms import told as load_ohms_told
from seqrun.plan.outlook import ENOUGH, outlooks, refuse_undecidable
from seqrun.plan.protection import told as protection_told
from seqrun.plan.reach import beyond_the_switch
from seqrun.runner.opening import VIRTUAL_HAND_S, BenchFiles, read_bench
from seqrun.runner.papers import against_release
from seqrun.steps.base import kinds, measurands

T = TypeVar("T")


def prepare(
    sequence: str,
    bench: str | None,
    unit: str | None,
    *,
    faults: Sequence[str] = (),
    seed: int = 1,
    only_complete: bool = False,
) -> tuple[Plan, BenchFiles]:
    """Read all files and plan the run; nothing is opened.

    Args:
        only_complete: refuse what this bench cannot do or cannot decide, instead of leaving it
            out or ending in a hold.

    Raises:
        SeqrunError: naming file, step and key.
    """
    file = load_sequence(find("sequence", sequence), kinds())
    files = read_bench(bench, unit, sequence_unit=file.unit or None, faults=faults, seed=seed)
    steps = expand_all(file, files.view.unit)
    plan = build(file, files.view, steps, only_complete=only_complete)
    if only_complete:
        refuse_undecidable(plan)
    hopeless = [
        f"{o.step}: this bench cannot decide the limit, and it will end in a hold: {o.objection}"
        for o in outlooks(plan)
        if o.objection and not o.accepted
    ]
    weak = [
        f"{o.step}: test uncertainty ratio {o.ratio:.1f}, below {ENOUGH:g}:1"
        for o in outlooks(plan)
        if o.word == "weak"
    ]
    ohms = [line] if (line := load_ohms_told(files.view)) else []
    unguarded = protection_told(file, files.view, plan.actions)
    papers = against_release(files.view.bench, files.view.drivers, datetime.now(UTC).date())
    told = [f"{line}: no accept from this bench releases a unit" for line in papers]
    told += [
        f"the switch does not reach {node} with {terminal}: the operator is asked, and with --yes "
        "what needs it is not measured"
        for terminal, node in beyond_the_switch(plan)
    ]
    return replace(
        plan,
        hand_s=VIRTUAL_HAND_S if files.simulated else OPERATOR_S,
        warnings=(*plan.warnings, *hopeless, *weak, *unguarded, *ohms, *told),
    ), files


def unrecognised_words(name: str, sequence: SequenceFile) -> str:
    """What a sequence holds against limits and no findings file looks at, in words, or nothing: a
    fail of these names no cause."""
    from seqrun.files.findings.load import findings_for

    file = findings_for(name)
    looked_at = {
        quantity
        for entry in ((*file.value, *file.sign) if file else ())
        for quantity in _listed(entry.get("quantity", ()))
    }
    known = kinds()
    read = {
        one.of.name
        for entry in sequence.step
        if "limit" in entry and entry.get("do") in known
        for one in known[entry["do"]].yields
        if one.judged
    }
    unknown = sorted(read - looked_at)
    return f"; findings do not look at: {', '.join(unknown)}" if unknown else ""


def _listed(names: object) -> Sequence[str]:
    return (names,) if isinstance(names, str) else tuple(names) if isinstance(names, list) else ()


def check_file(path: Path) -> str:
    """Validate one file of any kind; what it is, in words.

    Raises:
        FileError: what is wrong.
    """
    kind = kind_of(path)
    if kind == "sequence":
        found = load_sequence(path, kinds())
        said = f"sequence '{found.title}', revision {found.revision}, {len(found.step)} steps"
        return said + unrecognised_words(path.stem, found)
    if kind == "unit":
        return f"unit sheet '{load_unit(path).model}'"
    if kind == "bench":
        bench = load_bench(path)
        if bench.unit:
            with_names(partial(wired, str(path), None), path)
        return f"bench '{bench.name}'"
    if kind == "findings":
        from seqrun.files.findings.load import load_findings

        file = load_findings(path, {name: q.unit for name, q in measurands().items()})
        return f"findings '{file.title}', revision {file.revision}, {len(file.cause)} causes"
    if kind == "costs":
        from seqrun.files.costs import load_costs

        return f"cost sheet in {load_costs(path).currency}"
    return f"driver '{load_driver(path).name}'"


def named(name: str) -> Path:
    """The file for a path, or for the name of one that ships: a sequence first, then a unit sheet,
    a driver, findings, costs.

    Raises:
        FileError: there is none, with the nearest shipped sequence.
    """
    kinds_of_file: tuple[Kind, ...] = ("sequence", "unit", "driver", "findings", "costs")
    if not Path(name).exists():
        for kind in kinds_of_file:
            if name in shipped(kind):
                return shipped(kind)[name]
    if Path(name).suffix or "/" in name or Path(name).exists():
        return Path(name)
    return find("sequence", name)


def check_together(paths: Sequence[Path]) -> list[str]:
    """Check files against one another: every bench with every unit sheet, every sequence with
    every sheet, and planned with every bench; what they come to, a line each.

    Raises:
        FileError, UsageError: the first pair that does not fit, naming both.
    """
    of: dict[str, list[Path]] = {}
    for path in paths:
        of.setdefault(kind_of(path), []).append(path)
    told = []
    for unit in of.get("unit", []):
        sheet = load_unit(unit)
        for bench in of.get("bench", []):
            with_names(partial(wired, str(bench), str(unit)), bench, unit)
            told.append(f"{bench.name} with {unit.name}: they fit")
        for sequence in of.get("sequence", []):
            file = load_sequence(sequence, kinds())
            if not is_for(file, sheet):
                wanted = file.for_units_with
                told.append(f"{sequence.name} with {unit.name}: it is for units with {wanted}")
                continue
            steps = with_names(partial(expand_all, file, sheet), sequence, unit)
            told.append(f"{sequence.name} with {unit.name}: {len(steps)} steps")
    units: list[str | None] = [*map(str, of.get("unit", []))]
    for bench in of.get("bench", []):
        for sequence in of.get("sequence", []):
            for name in units or [None]:
                if name and not is_for(load_sequence(sequence, kinds()), load_unit(name)):
                    continue
                planned = partial(prepare, str(sequence), str(bench), name)
                plan, _ = with_names(planned, sequence, bench)
                left = f", {len(plan.left_out)} left out" if plan.left_out else ""
                warned = f"; warnings, which plan shows: {n}" if (n := len(plan.warnings)) else ""
                told.append(f"{sequence.name} on {bench.name}: it can be planned{left}{warned}")
    return told


def wired(bench: str, unit: str | None) -> None:
    """Check that the leads of a bench file can be right for a unit, whatever is to be done.

    Raises:
        FileError, UsageError: what cannot be.
    """
    if problems := [*leads.problems(read_bench(bench, unit).view, ())]:
        raise together(problems)


def with_names(call: Callable[[], T], *paths: Path) -> T:
    """What a call gives; where it refuses without naming a file, the files are named.

    Raises:
        SeqrunError: as the call does.
    """
    try:
        return call()
    except SeqrunError as error:
        if not error.where or not any(p.name in error.where for p in paths):
            error.where = " and ".join(p.name for p in paths) + (
                f", {error.where}" if error.where else ""
            )
        raise
