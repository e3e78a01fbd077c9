"""What each command does: call the floors below, print, return the exit code."""

from __future__ import annotations

import contextlib
import io
import signal
import sys
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import FileError, SeqrunError, UsageError
from seqrun.report.shared.cleaned import shown, unhurried
from seqrun.values import EXIT_CODES

if TYPE_CHECKING:
    from seqrun.live.bench_page import BenchPage
    from seqrun.plan.actions import Plan
    from seqrun.report.run.progress import Progress
    from seqrun.runner.hands import Hands, Operator
    from seqrun.runner.opening import BenchFiles
    from seqrun.runner.resuming import Resumption
    from seqrun.runner.run import Outcome
    from seqrun.runner.signals import Interrupts


@dataclass(frozen=True, slots=True)
class Attended:
    """How people take part in a run: ``yes``, all hookups are made and nobody is asked;
    ``rehearse``, virtual hands do what a person is asked for; a page at ``port`` of this computer
    (``live``), or of the network (``lan``)."""

    yes: bool = False
    rehearse: bool = False
    live: bool = False
    lan: bool = False
    port: int = 0


def run_command(
    sequence: str,
    serial: str,
    *,
    bench: str | None,
    unit: str | None,
    operator: str,
    results: Path,
    faults: Sequence[str],
    seed: int,
    only_complete: bool,
    attended: Attended,
) -> int:
    """``seqrun run``: the exit code is the disposition, whether it could be shown or not."""
    from seqrun.files.serial import check_serial

    check_serial(serial)
    from seqrun.runner.preparation import prepare

    plan, files = prepare(
        sequence, bench, unit, faults=faults, seed=seed, only_complete=only_complete
    )
    asked = {
        "sequence": sequence,
        "bench": bench,
        "unit": unit,
        "faults": list(faults),
        "seed": seed,
    }
    return do_run(plan, files, serial, operator, results, asked, attended)


@unhurried()
def do_run(
    plan: Plan,
    files: BenchFiles,
    serial: str,
    operator: str,
    results: Path,
    asked: Mapping[str, object],
    attended: Attended,
    resumed: Resumption | None = None,
) -> int:
    """A run that is planned, with its report; its exit code.

    Raises:
        SeqrunError: what is wrong before anything is energised.
    """
    from seqrun.cli.live import page_beside
    from seqrun.report.run.progress import Progress
    from seqrun.runner.run import Options, execute
    from seqrun.runner.signals import Interrupts

    interrupts = Interrupts()
    progress = Progress()
    options = Options(serial, operator or files.view.bench.operator, results, asked, resumed)
    beside = page_beside(
        plan, serial, interrupts, progress, results,
        live=attended.live, lan=attended.lan, port=attended.port,
    )  # fmt: skip
    with beside as page:
        hands: Hands | None = None
        if attended.rehearse:
            simulated, yes = files.simulated, attended.yes
            hands = _rehearsal(simulated, yes, progress, interrupts, plan, page)
        elif not files.simulated:
            hands = _hands(attended.yes, progress, interrupts, plan, page)
        watcher = page.watching(progress) if page is not None else progress
        outcome = execute(plan, files, hands, watcher, options, interrupts)
    try:
        _show(outcome, results)
        shown(sys.stdout, 1.0)  # what cannot be printed at all is known by then
    except (OSError, ValueError, SeqrunError) as error:
        # The run is over and judged: what it came to does not depend on a page.
        with contextlib.suppress(OSError, ValueError):
            print(f"seqrun: the report is not whole: {error}", file=sys.stderr)
    return EXIT_CODES[outcome.disposition]


def refuse_to_guess(sequence: str | None) -> UsageError:
    """The refusal of a run that does not say of what, or of which unit."""
    lacks = "--serial, the serial number of the unit" if sequence else "a sequence, and --serial"
    return UsageError(
        "no serial number is given" if sequence else "no sequence is named",
        expected=lacks,
        where="seqrun run",
        hint="'seqrun check acceptance' shows what a shipped one holds; --resume goes on with one",
    )


def _show(outcome: Outcome, results: Path) -> None:
    """The page of a run that has just ended, and the same in the terminal.

    Raises:
        SeqrunError: the record cannot be read back.
        OSError: the page cannot be written; nobody reads the output any more.
    """
    from seqrun.record import load_run
    from seqrun.report.findings.words import pointer
    from seqrun.report.run.page import write_page
    from seqrun.report.run.terminal import run_summary

    record = load_run(results, outcome.run_id)
    page = outcome.folder / "report.html"
    write_page(record, page)
    run_summary(record)
    if likely := pointer(record.facts):
        print(textwrap.fill(likely, 80))
    print(f"{outcome.disposition.value.upper()} - report: {page}")


def _hands(
    yes: bool, progress: Progress, interrupts: Interrupts, plan: Plan, page: BenchPage | None
) -> Hands:
    """Who moves the leads on a real bench.

    Raises:
        UsageError: nobody is there to be asked.
    """
    from seqrun.runner.hands import (
        Assumed,
        refuse_to_assume,
        refuse_without_operator,
    )

    if yes:
        # What a switch reaches is known only to the switch; what it does not is not measured.
        if plan.moving and not plan.view.has("switch"):
            raise refuse_to_assume(plan.moving)
        return Assumed(progress.say, plan.standing)
    if not sys.stdin.isatty():
        raise refuse_without_operator(len(plan.hookups))
    return _operator(progress, interrupts, page)


def _operator(progress: Progress, interrupts: Interrupts, page: BenchPage | None) -> Operator:
    from seqrun.cli.live import operator_with_page
    from seqrun.runner.hands import Operator

    if page is not None:
        return operator_with_page(page, progress, interrupts)

    def ask(prompt: str) -> str:
        with interrupts.prompt():
            return progress.ask(prompt, interrupts.meanwhile)

    return Operator(ask, progress.say)


def _rehearsal(
    simulated: bool,
    yes: bool,
    progress: Progress,
    interrupts: Interrupts,
    plan: Plan,
    page: BenchPage | None,
) -> Hands:
    """Somebody who is asked as on the day, before hands that are simulated.

    Raises:
        UsageError: the bench is real, or nobody is there to be asked.
    """
    from seqrun.cli.live import saying
    from seqrun.runner.hands import refuse_without_operator
    from seqrun.runner.rehearsal import Rehearsal, refuse_to_rehearse

    if not simulated:
        raise refuse_to_rehearse()
    if yes:
        raise UsageError("--rehearse asks, and --yes does not", expected="one of them")
    if not sys.stdin.isatty():
        raise refuse_without_operator(len(plan.hookups))
    return Rehearsal(_operator(progress, interrupts, page), saying(progress, page))


def plan_command(
    sequence: str, *, bench: str | None, unit: str | None, only_complete: bool = False
) -> int:
    """``seqrun plan``."""
    from seqrun.report.run.terminal import plan_summary
    from seqrun.runner.preparation import prepare

    plan, _ = prepare(sequence, bench, unit, only_complete=only_complete)
    plan_summary(plan)
    return 0


def check_command(files: Sequence[str]) -> int:
    """``seqrun check``: each file alone and with the others; 0 when all are right."""
    from seqrun.runner.preparation import check_file, check_together, named

    wrong = 0
    paths: list[Path] = []
    for name in files:
        try:
            path = named(name)
            print(f"{name}: {check_file(path)}")
            paths.append(path)
        except SeqrunError as error:
            wrong += 1
            print(f"seqrun: {error}", file=sys.stderr)
    try:
        for line in check_together(paths):
            print(line)
    except SeqrunError as error:
        wrong += 1
        print(f"seqrun: {error}", file=sys.stderr)
    return 2 if wrong else 0


def schema_command(kind: str) -> int:
    """``seqrun schema``."""
    import json

    from seqrun.files.schema import schema
    from seqrun.steps.base import kinds, measurands
    from seqrun.steps.keys import described

    files_are_utf8()
    words = {name: of.what for name, of in measurands().items()}
    keys = {name: described(one) for name, one in kinds().items()}
    print(json.dumps(schema(kind, kinds(), words, keys), indent=2, ensure_ascii=False))
    return 0


def files_are_utf8() -> None:
    """What is printed to be kept as a file is UTF-8 (TOML and JSON are), whatever the locale."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")


def faults_command() -> int:
    """``seqrun faults``."""
    import demo_sim

    catalogue = demo_sim.fault_catalogue()
    for kind, heading in (("fault", "Faults of the unit"), ("mistake", "Mistakes on the bench")):
        print(f"{heading} (severity 0 to 1; the usual one in brackets):")
        for fault in catalogue:
            if fault.kind != kind:
                continue
            name = f"  {fault.name}{'@CHANNEL' if fault.channels else ''}"
            text = f"{fault.summary} [{fault.default_severity:g}]"
            print(_listed(name, text))
    print("\nPut one in with --fault NAME[@CHANNEL][=SEVERITY]; the option may be repeated.")
    print("\nOther benches, with --bench demo:NAME,NAME or bench serve --variant NAME:")
    for variant in demo_sim.VARIANTS:
        print(_listed(f"  {variant.name}", variant.summary))
    return 0


def _listed(name: str, text: str) -> str:
    """A name and what it is, in 80 columns."""
    return textwrap.fill(text, 80, initial_indent=f"{name:<27} ", subsequent_indent=" " * 28)


def serve_command(
    *,
    unit: str | None,
    faults: Sequence[str],
    seed: int,
    host: str,
    port: int,
    real_time: bool,
    switch: bool,
    scope_bits: int | None,
    variants: Sequence[str],
    file: Path | None,
) -> int:
    """``seqrun bench serve``: until Ctrl-C."""
    import demo_sim
    from seqrun.files.unit.sheet import load_unit
    from seqrun.runner.opening import DEMO_UNIT

    sheet = load_unit(unit or DEMO_UNIT)
    try:
        demo = demo_sim.open_bench(
            sheet.plain(),
            faults=tuple(faults),
            seed=seed,
            real_time=real_time,
            with_switch=switch,
            scope_bits=scope_bits,
            variants=tuple(variants),
            unit_sheet=unit or DEMO_UNIT,
        )
    except demo_sim.DemoError as error:
        raise UsageError(
            str(error),
            where="bench serve",
            hint="'seqrun faults' lists the faults" if faults else None,
        ) from None
    try:
        server = demo.serve(host=host, ports=port or None)
    except OSError as error:
        raise UsageError(
            f"cannot listen on {host}, port {port or 'any'}: {error.strerror}",
            expected="free ports (one for each instrument, counted on from --port)",
            hint="leave --port out to take free ones",
        ) from None
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: server.close())
    text = server.bench_toml()
    files_are_utf8()
    for key, resource in server.resources.items():
        print(f"# {key}: {resource}")
    print(text, flush=True)
    if file is not None:
        try:
            file.write_text(text, encoding="utf-8")
        except OSError as error:
            server.close()
            raise FileError(f"cannot be written: {error.strerror}", where=str(file)) from None
    server.serve_forever()
    return 0


def report_command(run_id: str, results: Path, *, budget: bool, page: Path | None) -> int:
    """``seqrun report``."""
    from seqrun.cli.which import chosen
    from seqrun.report.run.page import write_page
    from seqrun.report.run.terminal import budget_table, run_summary

    record = chosen(results, run_id)
    run_summary(record)
    if budget:
        budget_table(record)
    if page is not None:
        print(f"page: {write_page(record, page)}")
    return 0
