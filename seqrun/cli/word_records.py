"""Commands about runs that are on record: options and arguments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from seqrun.cli.app import CsvFile, Lan, PageFile, Port, Results, app


@app.command()
def report(
    run_id: Annotated[str, typer.Argument(help="Run id, 'last', or a serial number.")] = "last",
    results: Results = Path("results"),
    budget: Annotated[bool, typer.Option("--budget", help="Show each reading's budget.")] = False,
    page: PageFile = None,
) -> None:
    """Show the record of a run."""
    from seqrun.cli.commands import report_command

    raise typer.Exit(report_command(run_id, results, budget=budget, page=page))


@app.command()
def live(results: Results = Path("results"), lan: Lan = False, port: Port = 0) -> None:
    """Show finished reports and cases in a browser, read only, until Ctrl-C."""
    from seqrun.cli.live import live_command

    raise typer.Exit(live_command(results, lan=lan, port=port))


@app.command()
def findings(
    run_id: Annotated[
        str, typer.Argument(help="Run id, a part of it, 'last', or a serial.")
    ] = "last",
    results: Results = Path("results"),
    costs: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--costs", help="Cost sheet (or 'example'): weigh repair against salvage."),
    ] = None,
) -> None:
    """Show the likely causes that a run's readings point to."""
    from seqrun.cli.causes import findings_command

    raise typer.Exit(findings_command(run_id, results, costs=costs))


@app.command()
def compare(
    before: Annotated[
        str, typer.Argument(help="Run id, a part of it, 'last', or a serial number alone.")
    ],
    after: Annotated[
        Optional[str],  # noqa: UP045
        typer.Argument(help="The run to compare with it."),
    ] = None,
    results: Results = Path("results"),
    matters: Annotated[
        str, typer.Option("--matters", help="Share of a limit that a change must reach to matter.")
    ] = "20 %",
    new_ballasts: Annotated[
        bool,
        typer.Option("--new-ballasts", help="Ballast resistors were replaced in between."),
    ] = False,
    everything: Annotated[
        bool, typer.Option("--all", help="Show what stayed as it was, too.")
    ] = False,
    csv: CsvFile = None,
    page: PageFile = None,
) -> None:
    """Compare two runs, reading by reading."""
    from seqrun.cli.past import compare_command

    raise typer.Exit(
        compare_command(
            before,
            after,
            results,
            matters=matters,
            new_ballasts=new_ballasts,
            everything=everything,
            csv=csv,
            page=page,
        )
    )


@app.command()
def history(
    serial: Annotated[
        Optional[str],  # noqa: UP045
        typer.Argument(help="Serial number of one unit; without it, yield and spread by model."),
    ] = None,
    results: Results = Path("results"),
    model: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--model", help="Only units of this model."),
    ] = None,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="Simulated runs instead of real ones.")
    ] = False,
    page: PageFile = None,
) -> None:
    """Show trends, yield and spread over all runs of a unit or model."""
    from seqrun.cli.past import history_command

    raise typer.Exit(history_command(serial, results, model=model, simulated=simulated, page=page))


@app.command()
def release(
    run_ids: Annotated[
        list[str],
        typer.Argument(
            metavar="RUN...",
            help="An accepted run: its id, 'last', or a serial; then runs that cover more of it.",
        ),
    ],
    results: Results = Path("results"),
    fault_found: Annotated[
        str, typer.Option("--fault-found", help="What was wrong, in words for the owner.")
    ] = "",
    work_done: Annotated[
        str, typer.Option("--work-done", help="What was done, in words for the owner.")
    ] = "",
    complaint: Annotated[
        str, typer.Option("--complaint", help="What the owner complained of, in a few words.")
    ] = "",
    signed_by: Annotated[
        str, typer.Option("--signed-by", help="Who releases it; else the operator of the run.")
    ] = "",
    caution: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option("--caution", help="A caution for this unit, beside the usual ones."),
    ] = None,
    before: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--before", help="A run before the repair, to show what it was then."),
    ] = None,
    page: PageFile = None,
) -> None:
    """Write a release sheet for the owner of an accepted unit."""
    from seqrun.cli.past import release_command

    raise typer.Exit(
        release_command(
            run_ids,
            results,
            fault_found=fault_found,
            complaint=complaint,
            work_done=work_done,
            signed_by=signed_by,
            cautions=caution or [],
            before=before,
            page=page,
        )
    )


@app.command()
def merge(
    folder: Annotated[Path, typer.Argument(help="Another bench's results folder; only read.")],
    results: Results = Path("results"),
) -> None:
    """Add another bench's records to these."""
    from seqrun.cli.past import merge_command

    raise typer.Exit(merge_command(folder, results))
