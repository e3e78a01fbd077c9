"""``seqrun unit``: add to a unit's case, and show it."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from seqrun.errors import UsageError


def unit_command(
    serial: str,
    results: Path,
    *,
    complaint: Sequence[str],
    work_done: Sequence[str],
    owner_answer: Sequence[str],
    photos: Sequence[Path],
    notes: Sequence[str],
    by: str,
    costs: str | None,
) -> int:
    """``seqrun unit``: 0, whatever is found; the verdicts of the runs decide, not this.

    What is added is on disk before anything is shown; the text file follows it.
    """
    from seqrun.case.onward import onward
    from seqrun.case.stay import case_of
    from seqrun.case.weighing import advice_on, check_answer, weighed
    from seqrun.files.costs import is_example, load_costs
    from seqrun.files.serial import check_serial
    from seqrun.record import Store
    from seqrun.record.case_rows import Kind
    from seqrun.record.cases import Cases
    from seqrun.record.photos import read_photo, written_anew
    from seqrun.report.findings.words import INVENTED
    from seqrun.report.shared.assets import write
    from seqrun.report.shared.screen import clean, plain
    from seqrun.report.unit.words import case_lines, text_path

    serial = check_serial(serial)
    sheet = load_costs(costs or "example")
    for answer in owner_answer:
        check_answer(answer)
    said: tuple[tuple[Kind, Sequence[str]], ...] = (
        ("complaint", complaint),
        ("answer", owner_answer),
        ("work", work_done),
    )
    if len(notes) > len(photos):
        raise UsageError(
            f"{len(notes)} notes and {len(photos)} photos",
            expected="--photo FILE for each --note",
            where="seqrun unit",
        )
    # all of them, before anything goes on record
    pictures = [written_anew(read_photo(path), str(path)) for path in photos]
    cases = Cases(Store(results))
    for kind, texts in said:
        for text in texts:
            cases.add(serial, kind, text, by)
    for picture, note in zip(pictures, [*notes, *[""] * len(pictures)], strict=False):
        cases.add_photo(serial, picture, note, by)
    case = case_of(results, serial)
    found = weighed(case)
    why = INVENTED if is_example(sheet) else f"by {costs}"
    try:
        advice = advice_on(case, found, sheet)
    except UsageError as error:
        advice, why = None, f"none: {error.found}"
    lines = list(case_lines(case, found, advice, why, onward(case, found)))
    path = text_path(results, serial)
    path.parent.mkdir(parents=True, exist_ok=True)
    write("\n".join(lines) + "\n", path)
    ascii_only = not (sys.stdout.encoding or "").lower().startswith("utf")
    for line in lines:
        print(plain(line) if ascii_only else clean(line))
    print(f"(as a text: {path})")
    return 0
