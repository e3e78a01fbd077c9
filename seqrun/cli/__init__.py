"""The command line: parse, call, print. Everything heavy is imported inside the commands."""

from __future__ import annotations

import contextlib
import io
import os
import sys
import traceback
from pathlib import Path
from typing import Annotated, Optional, Protocol, runtime_checkable

import typer

from seqrun._version import __version__
from seqrun.errors import SeqrunError

app = typer.Typer(
    name="seqrun",
    help="Prove a repaired audio amplifier good: declarative test sequences on a real or a "
    "simulated bench.",
    epilog="Exit codes: 0 accept, 1 reject, 2 wrong use or file, 3 hold, 4 aborted.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
bench_app = typer.Typer(
    help="Find instruments, prove a bench, serve the simulated one.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(bench_app, name="bench")
study_app = typer.Typer(
    help="Try the uncertainties and decisions on many simulated benches.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(study_app, name="study")

Bench = Annotated[
    Optional[str],  # noqa: UP045 - typer reads the annotation at run time
    typer.Option("--bench", help="Bench file, or demo (demo:VARIANT,...) for the simulated one."),
]
UnitSheet = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option("--unit", help="Unit sheet: a shipped name or a file."),
]
Fault = Annotated[
    Optional[list[str]],  # noqa: UP045
    typer.Option("--fault", help="Put a fault into the demo unit: NAME[@CHANNEL][=SEVERITY]."),
]
OnlyComplete = Annotated[
    bool,
    typer.Option("--only-complete", help="Refuse if this bench cannot do or decide every step."),
]
Seed = Annotated[int, typer.Option("--seed", help="Seed of the simulated bench.")]
Results = Annotated[Path, typer.Option("--results", help="Folder of the records.")]
CsvFile = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--csv", help="Write it as a table to this file."),
]
PageFile = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--page", help="Write it as a self-contained page to this file."),
]


def _version(show: bool) -> None:
    if show:
        typer.echo(f"seqrun {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    pass


@app.command()
def run(
    sequence: Annotated[str, typer.Argument(help="A shipped sequence or a file.")],
    serial: Annotated[str, typer.Option("--serial", help="Serial number of the unit.")],
    bench: Bench = None,
    unit: UnitSheet = None,
    operator: Annotated[str, typer.Option("--operator", help="Who runs it, for the record.")] = "",
    results: Results = Path("results"),
    fault: Fault = None,
    seed: Seed = 1,
    yes: Annotated[bool, typer.Option("--yes", help="All hookups are made; do not ask.")] = False,
    only_complete: OnlyComplete = False,
) -> None:
    """Run a sequence on a unit and leave a record."""
    from seqrun.cli.commands import run_command

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
            yes=yes,
            only_complete=only_complete,
        )
    )


@app.command()
def safe(bench: Bench = None) -> None:
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
    bench: Bench = None,
    unit: UnitSheet = None,
    only_complete: OnlyComplete = False,
) -> None:
    """Show what would be done and what this bench can decide."""
    from seqrun.cli.commands import plan_command

    raise typer.Exit(plan_command(sequence, bench=bench, unit=unit, only_complete=only_complete))


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="Files of any kind: see 'schema'.")],
) -> None:
    """Check files without opening anything."""
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
def faults() -> None:
    """List the faults and mistakes that the demo can be given."""
    from seqrun.cli.commands import faults_command

    raise typer.Exit(faults_command())


@app.command()
def explain(
    quantity: Annotated[
        Optional[str],  # noqa: UP045
        typer.Argument(help="A quantity as readings name it; without one they are listed."),
    ] = None,
) -> None:
    """Tell what a quantity is, how it is read, what can fool it."""
    from seqrun.cli.explain import explain_command

    raise typer.Exit(explain_command(quantity))


@app.command()
def report(
    run_id: Annotated[str, typer.Argument(help="Run id, 'last', or a serial number.")] = "last",
    results: Results = Path("results"),
    budget: Annotated[bool, typer.Option("--budget", help="Show each reading's budget.")] = False,
    page: Annotated[bool, typer.Option("--page", help="Write the page again.")] = False,
) -> None:
    """Show the record of a run."""
    from seqrun.cli.commands import report_command

    raise typer.Exit(report_command(run_id, results, budget=budget, page=page))


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
    run_id: Annotated[str, typer.Argument(help="An accepted run: its id, 'last', or a serial.")],
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
            run_id,
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


Benches = Annotated[int, typer.Option("--benches", min=1, help="Simulated benches for each.")]
Quantity = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option("--quantity", help="One quantity; without it, all."),
]
Processes = Annotated[int, typer.Option("--processes", min=1, help="How many at a time.")]


@study_app.command("coverage")
def study_coverage(
    benches: Benches = 400, quantity: Quantity = None, seed: Seed = 1, processes: Processes = 1
) -> None:
    """Show how often value ± U holds the truth, and how wide U is against what was needed."""
    from seqrun.cli.studies import coverage_command

    raise typer.Exit(
        coverage_command(quantity=quantity, benches=benches, seed=seed, processes=processes)
    )


@study_app.command("decisions")
def study_decisions(
    benches: Benches = 400, quantity: Quantity = None, seed: Seed = 1, processes: Processes = 1
) -> None:
    """Show how often units across a limit are accepted or rejected wrongly."""
    from seqrun.cli.studies import decisions_command

    raise typer.Exit(
        decisions_command(quantity=quantity, benches=benches, seed=seed, processes=processes)
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


def main() -> None:
    """Entry point: an error of ours becomes its message and exit code, without a traceback."""
    # Our arrays are short: a pool of linear-algebra threads costs more than it saves.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # no letter is worth a run
    code = _exit_code()
    for number, stream in ((1, sys.stdout), (2, sys.stderr)):
        try:
            stream.flush()
        except (OSError, ValueError):
            # Nobody reads it; Python would try again at its own end, and exit with a code of its.
            with contextlib.suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), number)
    sys.exit(code)


@runtime_checkable
class _WrongUse(Protocol):
    """What the command-line library raises for an option or argument that is wrong."""

    exit_code: int

    def show(self) -> None: ...


def _exit_code() -> int:
    """Do what the command line says; 1 only ever means a reject."""
    try:
        found = app(standalone_mode=False)
        return found if isinstance(found, int) else 0
    except SeqrunError as error:
        code, told = error.exit_code, f"seqrun: {error}"
    except (typer.Abort, KeyboardInterrupt):
        code, told = 4, "seqrun: interrupted"
    except (SystemExit, BrokenPipeError):  # nobody reads the output any more
        return 4
    except Exception as error:
        if isinstance(error, _WrongUse):
            with contextlib.suppress(OSError, ValueError):
                error.show()
            return 2
        # A mistake of ours is no verdict: Python's own code for it, 1, would be a reject.
        code, told = 4, traceback.format_exc()
    with contextlib.suppress(OSError, ValueError):
        print(told, file=sys.stderr)
    return code


if __name__ == "__main__":
    main()
