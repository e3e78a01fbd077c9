"""Commands about runs that are on record: comparing, histories, merging, releasing."""

from __future__ import annotations

import sys
from pathlib import Path

from seqrun.errors import UsageError


def compare_command(
    before: str,
    after: str | None,
    results: Path,
    *,
    matters: str,
    new_ballasts: bool,
    everything: bool,
    csv: Path | None,
    page: Path | None,
) -> int:
    """``seqrun compare``."""
    from seqrun.cli.which import before_and_after
    from seqrun.quantity import QuantityError, parse
    from seqrun.report.compare.page import write_page
    from seqrun.report.compare.pairs import compare
    from seqrun.report.compare.table import write_csv
    from seqrun.report.compare.terminal import comparison

    try:
        share = parse(matters, "")
    except QuantityError as error:
        raise UsageError(error.found, expected=error.wanted, where="--matters") from None
    one, two = before_and_after(results, before, after)
    run = compare(one, two, share, new_ballasts=new_ballasts)
    comparison(run, everything=everything)
    if csv is not None:
        print(f"table: {write_csv(run, csv)}")
    if page is not None:
        print(f"page: {write_page(run, page)}")
    return 0


def merge_command(folder: Path, results: Path) -> int:
    """``seqrun merge``."""
    from seqrun.record import merge

    added = merge(results, folder)
    if not (added.runs or added.readings or added.files or added.said):
        print(f"{results} has everything of {folder} already")
    else:
        counts = [(added.runs, "run"), (added.readings, "reading"), (added.files, "file")]
        counts += [(added.said, "case row")] if added.said else []
        told = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in counts)
        print(f"added to {results}: {told}")
    return 0


def history_command(
    serial: str | None,
    results: Path,
    *,
    model: str | None,
    simulated: bool,
    page: Path | None,
) -> int:
    """``seqrun history``."""
    from seqrun.record import Store
    from seqrun.report.history import collect, terminal
    from seqrun.report.history import page as pages
    from seqrun.report.shared import assets

    store = Store(results)
    kind = True if simulated else None
    if serial is not None and model is not None:
        raise UsageError(
            "a serial number and a model", expected="one of them", where="seqrun history"
        )
    if serial is not None:
        unit = collect.unit_history(store, serial, kind)
        terminal.unit_history(unit)
        text = pages.unit_page(unit) if page is not None else ""
    else:
        models = collect.model_histories(store, model, kind)
        terminal.models_history(models)
        text = pages.models_page(models) if page is not None else ""
    if page is not None:
        print(f"page: {assets.write(text, page)}")
    return 0


def release_command(
    run_ids: list[str],
    results: Path,
    *,
    fault_found: str,
    work_done: str,
    complaint: str,
    signed_by: str,
    cautions: list[str],
    before: str | None,
    page: Path | None,
) -> int:
    """``seqrun release``."""
    from seqrun.cli.which import chosen
    from seqrun.record import Store
    from seqrun.record.cases import Cases
    from seqrun.report.release.sheet import release, write_sheet
    from seqrun.values import Disposition

    named = [
        chosen(
            results,
            run_id,
            wanted=lambda one: one.disposition is Disposition.ACCEPT,
            what="accepted run",
        )
        for run_id in run_ids
    ]
    # Whichever of them releases comes first; the others cover what it does not look at.
    named.sort(key=lambda one: one.facts.get("releases") is not True)
    run, *beside = named
    store = Store(results)
    sheet = release(
        run,
        *_asked(fault_found, work_done),
        complaint=complaint,
        signed_by=signed_by,
        cautions=cautions,
        before=chosen(results, before) if before is not None else None,
        beside=beside,
        others=store.runs(run.run.serial),
        work=[e for e in Cases(store).entries(run.run.serial) if e.kind == "work"],
    )
    for sequence in dict.fromkeys(part.sequence for part in sheet.uncovered):
        parts = "; ".join(p.words for p in sheet.uncovered if p.sequence == sequence)
        print(f"not tested, and said so on the sheet: {parts}")
        if sequence:
            print(f"  to cover it: seqrun run {sequence}, then name that run here as well")
        else:
            print("  to cover it: load_capacitor and protection_test in the unit sheet")
    if sheet.simulated:
        print("SIMULATED: this sheet releases nothing")
    print(f"release sheet: {write_sheet(sheet, page or run.folder / 'release.html')}")
    return 0


def _asked(fault_found: str, work_done: str) -> tuple[str, str]:
    """What the sheet needs in somebody's own words; the person at the terminal is asked for what
    is missing.

    Raises:
        UsageError: something is, and nobody is there to be asked.
    """
    wanted = {
        "--fault-found": ("What was wrong, in words for the owner", fault_found),
        "--work-done": ("What was done, in words for the owner", work_done),
    }
    lacking = [option for option, (_, text) in wanted.items() if not text.strip()]
    if lacking and not sys.stdin.isatty():
        raise UsageError(
            f"the sheet lacks {' and '.join(lacking)}",
            expected="; ".join(f'{option} "{wanted[option][0].lower()}"' for option in lacking),
            where="seqrun release",
        )
    from seqrun.report.shared.asking import answer_to

    try:
        found = [text if text.strip() else answer_to(f"{ask}: ") for ask, text in wanted.values()]
    except EOFError:
        raise UsageError("nothing was typed", where="seqrun release") from None
    return found[0], found[1]
