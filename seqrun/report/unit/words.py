"""A unit's case as lines of plain text: the same in the terminal and in the file."""

from __future__ import annotations

import hashlib
import textwrap
from collections.abc import Iterator
from pathlib import Path

from seqrun.case.onward import Onward, in_results
from seqrun.case.stay import Case
from seqrun.case.weighing import Weighed, told_by_run, unit_of
from seqrun.errors import SeqrunError
from seqrun.judge.salvage import Advice
from seqrun.plan.cautions import caution
from seqrun.quantity import render
from seqrun.record.places import safe_name
from seqrun.report.findings import words as say
from seqrun.report.shared.screen import SIMULATED, WIDTH


def case_lines(
    case: Case, found: Weighed, advice: Advice | None, costs: str, step: Onward
) -> Iterator[str]:
    """The case, heading first, each line at most 80 columns but for the command, which is whole.

    Args:
        costs: where the costs come from, or why there are none.
    """
    if case.simulated:
        yield SIMULATED
    yield from _fold(f"Unit {case.serial}", _sheet(case))
    if case.alike:
        near = " and ".join(f"'{serial}'" for serial in case.alike)
        yield from _fold("Note", f"{near}, written nearly alike, is on record as another unit")
    for kind, heading in (("complaint", "Owner"), ("answer", "Answer"), ("work", "Work")):
        for entry in case.said(kind):
            by = f" ({entry.by})" if entry.by else ""
            yield from _fold(f"{heading}", f"{entry.time_utc[:10]}  {_answer(entry.text)}{by}")
    for photo in case.photos:
        taken = f"{photo.time_utc[:10]}  {photo.words}{f' ({photo.by})' if photo.by else ''}"
        yield from _fold("Photo", taken)
    if case.photos:
        yield from _fold("", f"in {case.photos[-1].path.parent}, named as in cases.csv")
    for line in case.lost:
        yield from _fold("LOST", line)
    yield ""
    if case.earlier:
        yield f"Runs of earlier stays, not counted here: {case.earlier}"
    yield "Runs since it came in" if case.runs else "No run is on record since it came in."
    for run in case.runs:
        row = run.run
        yield from _fold(
            f"  {row.started_utc[:16].replace('T', ' ')}",
            f"{row.sequence}: {row.disposition.value.upper()}. {told_by_run(run)}",
        )
        for line in run.missing:
            yield from _fold("    LOST", line)
    yield ""
    yield from _findings(case, found)
    yield ""
    yield from _costs(advice, costs)
    yield ""
    for sign in found.questions[:3]:
        yield from _fold("Ask", f"{sign.ask}")
        words = ("unit", case.serial, "--owner-answer", f"{sign.id}=yes", *in_results(case))
        yield f"  {Onward('', words).command}"
    if step.by_hand:
        yield from _fold("By hand", step.by_hand)
        yield from _fold("CAUTION", caution(step.work))
    yield from _fold("Why", step.why)
    yield f"Next: {step.command}"
    if case.simulated:
        yield "SIMULATED"


def _sheet(case: Case) -> str:
    try:
        unit = unit_of(case)
    except SeqrunError:
        return "no unit sheet is on record yet"
    rated = f"{render(unit.rated_power, 'W')} into {render(unit.rated_load, 'Ω')}"
    topology = unit.topology.replace("_", " ")
    return f"{unit.model}: {', '.join(unit.channels)}; {topology}; {rated}"


def _answer(text: str) -> str:
    return text.replace("=yes", ": yes").replace("=no", ": no")


def _findings(case: Case, found: Weighed) -> Iterator[str]:
    findings = found.findings
    if findings is None:
        yield f"Findings: none, {found.why_not}"
        return
    yield "Findings, weighed over all runs since it came in"
    if case.worked_at and not case.after:
        yield from _fold("", "No run since the work: what was found before it still stands.")
    yield from _fold("", say.heading(findings, case.runs[-1].run.disposition))
    for told in say.told(findings):
        yield from _fold(f"  {told.percent:>6}", told.finding.title)
        for reason in told.reasons_for:
            yield from _fold("      for", f"{reason.words} ({say.ratio(reason)})")
        for reason in told.reasons_against:
            yield from _fold("  against", f"{reason.words} ({say.ratio(reason)})")
    if findings.faulty:
        yield from _fold("", say.odds_from(case.simulated))


def _costs(advice: Advice | None, costs: str) -> Iterator[str]:
    yield from _fold("Costs", costs)
    if advice is None:
        return
    for choice in (advice.repair, advice.salvage):
        yield (
            f"  {choice.name:<8} {say.money(choice.mean, advice.currency)}"
            f" +- {say.money(choice.u, advice.currency)}"
        )
    for words in say.advice_words(advice):
        yield from _fold("", words)


def _fold(label: str, words: str) -> list[str]:
    first = f"{label}  " if label else "  "
    return textwrap.wrap(
        words, WIDTH, initial_indent=first, subsequent_indent=" " * max(2, min(len(first), 12)),
        break_on_hyphens=False,
    )  # fmt: skip


def text_path(results: Path, serial: str) -> Path:
    """Where the text of a unit's case is kept: no two units share one, on disks that do not tell
    a letter from its capital as on others."""
    name = safe_name(serial)
    if name != serial or name != name.upper():
        name += f"-{hashlib.sha256(serial.encode()).hexdigest()[:6]}"
    return results / "cases" / f"{name}.txt"
