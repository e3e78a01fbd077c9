"""``run``, ``plan``, ``safe`` and ``answer``: options and arguments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from seqrun.cli.app import (
    BenchOption,
    Fault,
    Lan,
    OnlyComplete,
    Port,
    Results,
    Seed,
    UnitSheet,
    app,
)


@app.command()
def run(
    sequence: Annotated[
        Optional[str],  # noqa: UP045 - typer reads the annotation at run time
        typer.Argument(help="A shipped sequence or a file; with --resume the one of that run."),
    ] = None,
    serial: Annotated[str, typer.Option("--serial", help="Serial number of the unit.")] = "",
    bench: BenchOption = None,
    unit: UnitSheet = None,
    operator: Annotated[str, typer.Option("--operator", help="Who runs it, for the record.")] = "",
    results: Results = Path("results"),
    fault: Fault = None,
    seed: Seed = 1,
    yes: Annotated[bool, typer.Option("--yes", help="All hookups are made; do not ask.")] = False,
    only_complete: OnlyComplete = False,
    rehearse: Annotated[
        bool,
        typer.Option("--rehearse", help="On a simulated bench: be asked for all, as on the day."),
    ] = False,
    live: Annotated[
        bool, typer.Option("--live", help="Serve the bench page on this computer.")
    ] = False,
    lan: Lan = False,
    port: Port = 0,
    resume: Annotated[
        str,
        typer.Option("--resume", help="Go on with an interrupted run: its id, 'last', a serial."),
    ] = "",
    because: Annotated[
        str, typer.Option("--because", help="With --resume: what explains the trip that ended it.")
    ] = "",
) -> None:
    """Run a sequence on a unit and leave a record."""
    from seqrun.cli.commands import Attended, refuse_to_guess, run_command

    attended = Attended(yes, rehearse, live or lan, lan, port)
    if resume:
        from seqrun.cli.resume import resume_command

        given = {
            "a sequence": sequence, "--serial": serial, "--bench": bench, "--unit": unit,
            "--fault": fault,
        }  # fmt: skip
        raise typer.Exit(
            resume_command(
                resume,
                results,
                because=because,
                given=[name for name, value in given.items() if value],
                operator=operator,
                attended=attended,
            )
        )
    if not sequence or not serial:
        raise refuse_to_guess(sequence)
    raise typer.Exit(
        run_command(
            sequence,
            serial,
            bench=bench,
            unit=unit,
            operator=operator,
            results=results,
            faults=fault or [],
            seed=seed,
            only_complete=only_complete,
            attended=attended,
        )
    )


@app.command()
def safe(bench: BenchOption = None) -> None:
    """Bring a bench to its safe state and do nothing else; 0 when confirmed, 4 when not."""
    from seqrun.cli.safe import safe_command

    raise typer.Exit(safe_command(bench))


@app.command()
def answer(
    run_id: Annotated[str, typer.Argument(help="Run id, a part of it, or 'last'.")],
    because: Annotated[
        str, typer.Option("--because", help="Why the cause that holds it is not there.")
    ],
    operator: Annotated[str, typer.Option("--operator", help="Who says so.")],
    measured: Annotated[
        str, typer.Option("--measured", help="A later, accepted run that shows it.")
    ] = "",
    results: Results = Path("results"),
) -> None:
    """Answer a finding that alone holds a run, with a reason that goes on record."""
    from seqrun.cli.safe import answer_command

    raise typer.Exit(answer_command(run_id, results, because, operator, measured))


@app.command()
def plan(
    sequence: Annotated[str, typer.Argument(help="A shipped sequence or a file.")],
    bench: BenchOption = None,
    unit: UnitSheet = None,
    only_complete: OnlyComplete = False,
) -> None:
    """Show what would be done and what this bench can decide."""
    from seqrun.cli.commands import plan_command

    raise typer.Exit(plan_command(sequence, bench=bench, unit=unit, only_complete=only_complete))
