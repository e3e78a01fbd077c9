"""Traces: curves and waveforms as CSV, plain numbers, the unit at the end of each column's name."""

from __future__ import annotations

import csv
import math
import warnings
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from seqrun.errors import UsageError
from seqrun.record import cells
from seqrun.record.errors import RecordError, from_os
from seqrun.record.table import encode

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

_BUFFER = 1 << 17


def write_trace(path: Path, columns: Mapping[str, Iterable[float]]) -> None:
    """A whole trace at once: columns of equal length.

    Raises:
        UsageError: the columns differ in length, or there is none.
        RecordError: the disk is full or the folder cannot be written.
    """
    names = _checked(tuple(columns), path)
    lists = [_floats(values) for values in columns.values()]
    lengths = {len(values) for values in lists}
    if len(lengths) != 1:
        told = ", ".join(f"{n} {len(v)}" for n, v in zip(names, lists, strict=True))
        raise UsageError(
            f"columns of different lengths: {told}",
            expected="as many points in each column",
            where=path.name,
        )
    texts = [map(cells.number, values) for values in lists]
    try:
        with open_text(path) as file:
            file.write(encode([names]).decode())
            lines = map(",".join, zip(*texts, strict=True))
            file.writelines(line + "\r\n" for line in lines)
    except OSError as error:
        raise from_os(error, path, "writing a trace") from error


def read_trace(path: Path) -> dict[str, npt.NDArray[np.float64]]:
    """A trace back as arrays by column name; an empty cell is NaN.

    Raises:
        RecordError: it cannot be read, or is not a table of numbers below one line of names.
    """
    import numpy as np

    def cell(text: str) -> float:
        return float(text) if text.strip() else math.nan

    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            names = next(csv.reader(file), [])
            lines = file.readlines()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a trace without a point is one
            try:
                table = np.loadtxt(lines, delimiter=",", ndmin=2, comments=None)
            except ValueError:  # cell by cell, slowly: some are empty, or are no numbers
                table = np.loadtxt(
                    lines, delimiter=",", ndmin=2, comments=None, converters=cell, encoding="utf-8"
                )
    except OSError as error:
        raise from_os(error, path, "reading a trace") from error
    except (ValueError, csv.Error) as error:
        raise RecordError(
            f"not a table of numbers: {error}", where=str(path), hint="it was edited by hand"
        ) from error
    if not names or (table.size and table.shape[1] != len(names)):
        raise RecordError(
            f"not a table of {len(names)} columns",
            expected="as many numbers in each line as the first line has names",
            where=str(path),
            hint="it was cut short, or edited by hand",
        )
    return {
        name.strip(): table[:, i] if table.size else np.zeros(0) for i, name in enumerate(names)
    }


def open_text(path: Path) -> TextIO:
    """A new file for lines whose ends are written as given."""
    return path.open("x", encoding="utf-8", newline="", buffering=_BUFFER)


def _floats(values: Iterable[float]) -> list[float]:
    listed = getattr(values, "tolist", None)  # a NumPy array, without a call per point
    return listed() if callable(listed) else list(values)


def _checked(columns: Sequence[str], path: Path) -> tuple[str, ...]:
    names = tuple(cells.text(name) for name in columns)
    if not names or not all(names) or len(set(names)) != len(names):
        raise UsageError(
            f"columns {list(columns)}",
            expected="at least one column, each with a name of its own that ends in its unit",
            where=path.name,
        )
    return names
