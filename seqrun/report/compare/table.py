"""The pairs of two runs as a CSV table."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import FileError
from seqrun.judge.change import unit_factor

if TYPE_CHECKING:
    from seqrun.report.compare.pairs import RunPair

CSV_COLUMNS = (
    "run_before",
    "run_after",
    "step",
    "channel",
    "quantity",
    "unit",
    "before",
    "before_expanded_uncertainty",
    "before_bound",
    "before_verdict",
    "after",
    "after_expanded_uncertainty",
    "after_bound",
    "after_verdict",
    "limit_low",
    "limit_high",
    "difference",
    "difference_expanded_uncertainty",
    "least_that_matters",
    "change",
    "reason",
    "simulated",
)


def write_csv(pair: RunPair, path: Path) -> Path:
    """Every pair as a row of plain numbers in base units; see :data:`CSV_COLUMNS`.

    Raises:
        FileError: the file cannot be written.
    """
    from seqrun.record.table import encode

    try:
        path.write_bytes(encode([CSV_COLUMNS, *_cells(pair)]))
    except OSError as error:
        raise FileError(f"cannot be written: {error.strerror}", where=str(path)) from None
    return path


def _cells(run: RunPair) -> Iterator[list[str]]:
    from seqrun.record.cells import flag, number, text

    for pair in run.pairs:
        row, found = pair.row, pair.difference
        line = [run.before.run_id, run.after.run_id]
        line += [text(row.step), text(row.channel), text(row.quantity), text(row.unit)]
        for side in (pair.before, pair.after):
            factor = None if side is None else unit_factor(side.unit, row.unit)
            if side is None or factor is None:
                line += ["", "", "", side.verdict.value if side else ""]
                continue
            value = None if side.value is None else side.value * factor
            u = None if side.expanded_uncertainty is None else side.expanded_uncertainty * factor
            line += [number(value), number(u), side.bound.value, side.verdict.value]
        line += [number(row.limit_low), number(row.limit_high)]
        if found is None:
            line += ["", "", ""]
        else:
            line += [number(found.value), number(found.expanded), number(found.matters)]
        yield [*line, pair.word, text(pair.comment), flag(run.simulated)]
