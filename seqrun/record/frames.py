"""The tables as pandas frames, for histories of many readings."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from seqrun.record.again import KEPT, READ_AGAIN
from seqrun.record.cells import from_text
from seqrun.record.errors import RecordError, from_os
from seqrun.record.rows import READING_COLUMNS, RunRow
from seqrun.record.table import Table, encode
from seqrun.values import (
    COVERAGE_FACTOR,
    Bound,
    Contribution,
    Judged,
    Limit,
    Reading,
    Source,
    Verdict,
)

W = TypeVar("W", bound=StrEnum)
_NUMBERS = (
    "value",
    "expanded_uncertainty",
    "coverage_factor",
    "limit_low",
    "limit_high",
    "conformance_probability",
)
#: columns that may hold free text, and so an apostrophe before what looks like a formula
_FREE = ("model", "sequence", "revision", "step", "channel", "quantity", "instruments", "note")


def readings_frame(
    table: Table,
    columns: Sequence[str] = READING_COLUMNS,
    *,
    categories: bool = False,
    rows: Sequence[Sequence[str]] | None = None,
) -> pd.DataFrame:
    """All readings: numbers as float64 (NaN where empty), text as text, ``simulated`` as bool.

    ``time_utc`` stays text; ``pandas.to_datetime(frame["time_utc"], format="ISO8601")`` makes
    times of it. A torn last line is passed over.

    Args:
        columns: the ones that are wanted; fewer are read faster.
        categories: texts as categories: a million readings have few different ones.
        rows: of the table, when only these are wanted; the file is not read then.

    Raises:
        RecordError: the table cannot be read or does not fit its columns.
    """
    texts = [c for c in columns if c not in _NUMBERS and c != "simulated"]
    dtypes: dict[str, Any] = dict.fromkeys(texts, "category" if categories else "str")
    dtypes |= {name: "float64" for name in columns if name in _NUMBERS}
    if "simulated" in columns:
        dtypes["simulated"] = "bool"
    source = _whole(table) if rows is None else io.BytesIO(encode([READING_COLUMNS, *rows]))
    if source is None:
        empty = pd.DataFrame({name: [] for name in columns}, dtype="str")
        return empty.astype(dtypes)
    try:
        frame = pd.read_csv(
            source,
            usecols=list(columns),
            dtype=dtypes,
            keep_default_na=False,  # a unit may well have the serial number "NA"
            na_values={name: [""] for name in _NUMBERS},
            encoding="utf-8",
        )
    except OSError as error:
        raise from_os(error, table.path, "reading the record") from error
    except ValueError as error:
        raise RecordError(
            f"the table does not fit its columns: {error}",
            where=str(table.path),
            hint="it was edited by hand",
        ) from error
    # Categories that all look like numbers have become numbers, and "0042" is no 42.
    bare = [c for c in texts if categories and not _are_texts(frame[c].cat.categories)]
    if bare:
        if isinstance(source, io.BytesIO):
            source.seek(0)
        plain = pd.read_csv(
            source, usecols=bare, dtype="str", keep_default_na=False, encoding="utf-8"
        )
        for name in bare:
            frame[name] = plain[name].astype("category")
    for name in _FREE:
        if name in columns:
            _unquote(frame, name)
    return frame[list(columns)]


def _are_texts(categories: pd.Index[Any]) -> bool:
    return all(isinstance(one, str) for one in categories)


def counted_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """The rows that count, in their order: without those that were read again, and, where there are
    notes, those that a resumed run took over and that stand by the run that made them.

    Args:
        frame: with ``run_id``, ``step`` and ``quantity``, in the order of the table.
    """
    if "note" in frame:
        frame = frame[~frame["note"].astype("str").str.startswith(KEPT)]
    marks = frame.index[frame["quantity"] == READ_AGAIN]
    if len(marks) == 0:
        return frame
    keep = pd.Series(True, index=frame.index)
    for mark in marks:
        same = (frame["run_id"] == frame["run_id"][mark]) & (frame["step"] == frame["step"][mark])
        keep &= ~(same & (frame.index <= mark))
    return frame[keep]


def judged_of_frame(cells: Mapping[Any, Any]) -> Judged:
    """A reading from a row of :func:`readings_frame`; columns that were not read are left empty,
    and U stands as one contribution."""

    def number(name: str) -> float | None:
        found = cells.get(name)
        return None if found is None or not math.isfinite(found) else float(found)

    value, low, high = number("value"), number("limit_low"), number("limit_high")
    u = (number("expanded_uncertainty") or 0.0) / (number("coverage_factor") or COVERAGE_FACTOR)
    reading = Reading(
        quantity=str(cells["quantity"]),
        unit=str(cells["unit"]),
        value=value,
        budget=(Contribution(Source("combined"), u),) if u else (),
        channel=str(cells["channel"]),
        bound=_word(Bound, cells["bound"]),
        note=str(cells.get("note", "")),
    )
    limit = None if low is None and high is None else Limit(low, high)
    verdict = _word(Verdict, cells["verdict"])
    return Judged(reading, str(cells["step"]), limit, str(cells.get("decision", "")), verdict, None)


def _word(kind: type[W], cell: object) -> W:
    try:
        return kind(str(cell))
    except ValueError:
        known = ", ".join(repr(str(word)) for word in kind)
        raise RecordError(
            f"'{cell}' in the column {kind.__name__.lower()}",
            expected=f"one of {known}",
            where="readings.csv",
            hint="another version of seqrun wrote it, or it was edited by hand",
        ) from None


def _unquote(frame: pd.DataFrame, name: str) -> None:
    # a million rows hold few different texts, so each text is looked at once
    if isinstance(frame[name].dtype, pd.CategoricalDtype):
        quoted = {t: from_text(t) for t in frame[name].cat.categories if t.startswith("'")}
        plain = [quoted.get(t, t) for t in frame[name].cat.categories]
        if quoted and len(set(plain)) == len(plain):
            frame[name] = frame[name].cat.rename_categories(plain)
        elif quoted:  # a hand wrote it once without its apostrophe
            frame[name] = frame[name].astype("str").replace(quoted).astype("category")
        return
    changed = {t: from_text(t) for t in frame[name].unique() if t.startswith("'")}
    if changed:
        frame[name] = frame[name].replace(changed)


def runs_frame(runs: Sequence[RunRow]) -> pd.DataFrame:
    """Runs, one row each, with ``finished``."""
    rows = [{**asdict(r), "disposition": r.disposition.value, "finished": r.finished} for r in runs]
    return pd.DataFrame(rows, columns=[*RunRow.__dataclass_fields__, "finished"])


def _whole(table: Table) -> Path | io.BytesIO | None:
    """The table's file, or its whole lines when the last one is torn; None: nothing there."""
    torn = table.torn_at()
    if torn is None:
        return table.path
    if torn == 0:
        return None
    try:
        with table.path.open("rb") as file:
            return io.BytesIO(file.read(torn))
    except OSError as error:
        raise from_os(error, table.path, "reading the record") from error
