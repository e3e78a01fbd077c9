"""``bench …`` and ``study …``: options and arguments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from seqrun.cli.app import Fault, Seed, UnitSheet, bench_app, study_app

Benches = Annotated[int, typer.Option("--benches", min=1, help="Simulated benches for each.")]
QuantityOption = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option("--quantity", help="One quantity; without it, all."),
]
Processes = Annotated[int, typer.Option("--processes", min=1, help="How many at a time.")]


@study_app.command("coverage")
def study_coverage(
    benches: Benches = 400,
    quantity: QuantityOption = None,
    seed: Seed = 1,
    processes: Processes = 1,
    unit: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--unit", help="Sheet of a unit; without it, the one of each quantity."),
    ] = None,
    clean: Annotated[
        bool, typer.Option("--clean", help="Only on benches that follow their data sheets.")
    ] = False,
    dirty: Annotated[
        bool, typer.Option("--dirty", help="Only on benches with what no data sheet tells.")
    ] = False,
) -> None:
    """Show how often value ± U holds the truth, on clean benches beside dirty ones."""
    from seqrun.cli.studies import coverage_command

    raise typer.Exit(
        coverage_command(
            quantity=quantity,
            benches=benches,
            seed=seed,
            processes=processes,
            kinds=[kind for kind, asked in (("clean", clean), ("dirty", dirty)) if asked],
            unit=unit,
        )
    )


@study_app.command("decisions")
def study_decisions(
    benches: Benches = 400,
    quantity: QuantityOption = None,
    seed: Seed = 1,
    processes: Processes = 1,
) -> None:
    """Show how often units across a limit are accepted or rejected wrongly."""
    from seqrun.cli.studies import decisions_command

    raise typer.Exit(
        decisions_command(quantity=quantity, benches=benches, seed=seed, processes=processes)
    )


@study_app.command("acceptance")
def study_acceptance(
    sequence: Annotated[
        str, typer.Option("--sequence", help="A shipped sequence, or a file.")
    ] = "acceptance",
    unit: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option("--unit", help="Unit sheet; may be repeated."),
    ] = None,
    fault: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(
            "--fault", help='NAME[@CHANNEL][=SEVERITY] or "none"; without it, the catalogue.'
        ),
    ] = None,
    severity: Annotated[
        Optional[list[float]],  # noqa: UP045
        typer.Option("--severity", min=0.0, max=1.0, help="Instead of the usual one."),
    ] = None,
    seeds: Annotated[int, typer.Option("--seeds", min=1, help="Units of each.")] = 3,
    seed: Seed = 1,
    bench: Annotated[str, typer.Option("--bench", help="demo, or demo:VARIANT,...")] = "demo",
    file: Annotated[
        Path, typer.Option("--file", help="A row for every run; a study goes on where it was.")
    ] = Path("study-acceptance.csv"),
    processes: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option("--processes", min=1, help="How many at a time; without it, all cores."),
    ] = None,
    scheduler: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--scheduler", help="Address of a Dask scheduler, for other machines."),
    ] = None,
) -> None:
    """Run a whole sequence on many units with faults; hold what it decides against the truth."""
    from seqrun.cli.studies import acceptance_command

    raise typer.Exit(
        acceptance_command(
            sequence=sequence,
            units=unit or ["demo-2x40"],
            faults=fault or [],
            severities=severity or [],
            seeds=seeds,
            seed=seed,
            bench=bench,
            file=file,
            processes=processes,
            scheduler=scheduler,
        )
    )


@bench_app.command("find")
def bench_find(
    resource: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Argument(help="VISA resources to ask; without: all that can be found."),
    ] = None,
    write: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--write", help="Write a bench file with what was found."),
    ] = None,
    visa: Annotated[str, typer.Option("--visa", help="The VISA library, such as @py.")] = "",
) -> None:
    """List the instruments that answer, and the driver that fits each; asks identities only."""
    from seqrun.cli.benches import find_command

    raise typer.Exit(find_command(resource or [], write, visa))


@bench_app.command("test")
def bench_test(
    file: Annotated[str, typer.Argument(help="Bench file.")],
    nothing_connected: Annotated[
        bool, typer.Option("--nothing-connected", help="Your word: no lead is on any instrument.")
    ] = False,
    each_other: Annotated[
        bool, typer.Option(help="Let two instruments check each other, where you connect them.")
    ] = True,
) -> None:
    """Prove a bench: a handshake, then each operation of each driver; 0 all right, 3 not."""
    from seqrun.cli.benches import test_command

    raise typer.Exit(test_command(file, nothing_connected, each_other))


@bench_app.command("sound")
def bench_sound(
    bench: Annotated[str, typer.Argument(help="Bench file, or demo:sound_card.")],
    unit: UnitSheet = None,
    write: Annotated[
        bool, typer.Option("--write", help="Add the table [sound] to the bench file.")
    ] = False,
    seed: Seed = 1,
) -> None:
    """Level a sound interface against the meter, and find its floor and distortion."""
    from seqrun.cli.sounding import sound_command

    raise typer.Exit(sound_command(bench, unit, write, seed))


@bench_app.command("serve")
def bench_serve(
    unit: UnitSheet = None,
    fault: Fault = None,
    seed: Seed = 1,
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", help="First port; 0: any free ones.")] = 0,
    real_time: Annotated[
        bool, typer.Option("--real-time", help="Follow the wall clock instead of virtual time.")
    ] = False,
    switch: Annotated[
        bool, typer.Option("--switch", help="With a relay matrix that moves leads by itself.")
    ] = False,
    scope_bits: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option("--scope-bits", help="Of the scope's converter: 8 or 12."),
    ] = None,
    variant: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option("--variant", help="Another bench: 'seqrun faults' lists them."),
    ] = None,
    file: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--file", help="Write the bench file here as well."),
    ] = None,
) -> None:
    """Serve the simulated bench over TCP; print its resource names and a bench file."""
    from seqrun.cli.commands import serve_command

    raise typer.Exit(
        serve_command(
            unit=unit,
            faults=fault or [],
            seed=seed,
            host=host,
            port=port,
            real_time=real_time,
            switch=switch,
            scope_bits=scope_bits,
            variants=variant or [],
            file=file,
        )
    )
