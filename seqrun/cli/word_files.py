"""``check``, ``schema``, ``faults`` and ``explain``: options and arguments."""

from __future__ import annotations

from typing import Annotated, Optional

import typer

from seqrun.cli.app import app


@app.command()
def check(
    files: Annotated[
        list[str], typer.Argument(help="Files of any kind, or the names of shipped ones.")
    ],
) -> None:
    """Check files, alone and against one another, without opening anything."""
    from seqrun.cli.commands import check_command

    raise typer.Exit(check_command(files))


@app.command()
def schema(
    kind: Annotated[str, typer.Argument(help="sequence, unit, bench, driver, findings or costs.")],
) -> None:
    """Print the JSON Schema of a kind of file."""
    from seqrun.cli.commands import schema_command

    raise typer.Exit(schema_command(kind))


@app.command()
def steps(
    kind: Annotated[
        Optional[str],  # noqa: UP045
        typer.Argument(help="One kind of step; without it, all are listed."),
    ] = None,
) -> None:
    """Tell what kinds of step there are, and the keys of one."""
    from seqrun.cli.reference import steps_command

    raise typer.Exit(steps_command(kind))


@app.command()
def example(
    kind: Annotated[str, typer.Argument(help="unit, bench, sequence, costs or driver.")],
) -> None:
    """Print a commented template of a kind of file."""
    from seqrun.cli.reference import example_command

    raise typer.Exit(example_command(kind))


@app.command()
def faults() -> None:
    """List the faults and mistakes that the demo can be given."""
    from seqrun.cli.commands import faults_command

    raise typer.Exit(faults_command())


@app.command()
def explain(
    quantity: Annotated[
        Optional[str],  # noqa: UP045
        typer.Argument(help="A quantity, or a kind of step; without one, quantities are listed."),
    ] = None,
) -> None:
    """Tell what a quantity is, how it is read, what can fool it."""
    from seqrun.cli.explain import explain_command

    raise typer.Exit(explain_command(quantity))
