"""``seqrun findings``: what the readings of a run point to, and whether repair pays."""

from __future__ import annotations

from pathlib import Path

from seqrun.errors import UsageError


def findings_command(run_id: str, results: Path, *, costs: str | None) -> int:
    """``seqrun findings``: 0, whatever is found; the verdicts of the run decide, not this.

    Raises:
        SeqrunError: no such run, no unit sheet in its record, a wrong cost sheet.
    """
    from seqrun.cli.which import chosen
    from seqrun.files.costs import is_example, load_costs
    from seqrun.record import Store
    from seqrun.record.cases import Cases
    from seqrun.record.photos import photos_of
    from seqrun.report.findings.terminal import show_findings
    from seqrun.report.shared.summary import summarise
    from seqrun.runner.findings import findings_of_run
    from seqrun.values import Disposition

    sheet = None
    if costs is not None:
        sheet = load_costs(costs)
    run = chosen(results, run_id)
    found = findings_of_run(run)
    if found is None:
        raise UsageError(
            f"no findings file is for the sequence '{run.run.sequence}'",
            expected="a file in sequences/findings whose 'sequences' names it",
            where=run.run.run_id,
        )
    advice = None
    if sheet is not None:
        from seqrun.judge.salvage import advise

        advice = advise(found, sheet, faulty=run.run.disposition is not Disposition.ACCEPT)
    summary = summarise(run)
    show_findings(
        found,
        about=f"{summary.model}  {summary.serial}  {summary.title}",
        simulated=summary.simulated,
        disposition=summary.disposition,
        advice=advice,
        photos=photos_of(results, Cases(Store(results)).entries(run.run.serial)),
        invented=sheet is not None and is_example(sheet),
    )
    return 0
