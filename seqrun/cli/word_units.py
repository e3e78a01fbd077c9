"""``unit``: options and arguments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from seqrun.cli.app import Results, app

Words = Optional[list[str]]  # noqa: UP045 - typer reads the annotation at run time


@app.command()
def unit(
    serial: Annotated[str, typer.Argument(help="Serial number of the unit.")],
    complaint: Annotated[
        Words, typer.Option("--complaint", help="What its owner says is wrong.")
    ] = None,
    work_done: Annotated[
        Words, typer.Option("--work-done", help="What was done to it; closes what it cured.")
    ] = None,
    owner_answer: Annotated[
        Words,
        typer.Option("--owner-answer", help="The owner's answer: words, or QUESTION=yes or =no."),
    ] = None,
    photo: Annotated[
        Optional[list[Path]],  # noqa: UP045
        typer.Option("--photo", help="A picture of it; kept without place and camera data."),
    ] = None,
    note: Annotated[
        Words, typer.Option("--note", help="What the photo shows; one for each.")
    ] = None,
    by: Annotated[str, typer.Option("--operator", help="Who says or did it.")] = "",
    costs: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--costs", help="Your cost sheet; else the example's invented figures."),
    ] = None,
    results: Results = Path("results"),
) -> None:
    """Show a unit's case: complaint, runs, findings over all of them, costs, next step."""
    from seqrun.cli.units import unit_command

    raise typer.Exit(
        unit_command(
            serial,
            results,
            complaint=complaint or [],
            work_done=work_done or [],
            owner_answer=owner_answer or [],
            photos=photo or [],
            notes=note or [],
            by=by,
            costs=costs,
        )
    )
