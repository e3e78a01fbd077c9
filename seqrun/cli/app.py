"""The commands' family, and the options that several of them take."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

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

BenchOption = Annotated[
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
Lan = Annotated[
    bool, typer.Option("--lan", help="Serve the page to the LAN as well: a phone at the bench.")
]
Port = Annotated[int, typer.Option("--port", help="Port of the page; a free one by default.")]
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
