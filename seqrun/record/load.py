"""One run, read back whole: all that a report needs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from seqrun.record.again import counted
from seqrun.record.errors import from_os
from seqrun.record.places import BUDGETS, FACTS, FILES, MESSAGES, TRACES, held_in, run_folder
from seqrun.record.plain import budget_of_entry, opened, read_json
from seqrun.record.rows import RunRow
from seqrun.record.store import Store
from seqrun.record.traces import read_trace
from seqrun.values import Contribution, Disposition, Judged

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Trace:
    """A trace on disk."""

    name: str
    path: Path

    def read(self) -> dict[str, npt.NDArray[np.float64]]:
        """Its columns by name.

        Raises:
            RecordError: it cannot be read.
        """
        return read_trace(self.path)


@dataclass(frozen=True)
class RunData:
    """A run as it is on record."""

    folder: Path
    run: RunRow
    judged: tuple[Judged, ...]  # every reading that counts, with its budget where that was kept
    facts: Mapping[str, Any]
    traces: tuple[Trace, ...]
    files: tuple[Path, ...]
    messages: Path | None
    missing: tuple[str, ...] = ()  # what the record has lost since it was made, in words
    sounds: tuple[Path, ...] = ()  # WAV files, each named as the trace that it was heard with

    @property
    def tripped(self) -> bool:
        """A trip ended it."""
        return self.run.disposition is Disposition.ABORTED and self.run.reason.startswith("tripped")

    def trace(self, name: str) -> Trace | None:
        return next((t for t in self.traces if t.name == name), None)


def load_run(folder: Path | str, name: str) -> RunData:
    """A run by its id, a part that only one id has, or "last".

    Args:
        folder: the results folder.

    Raises:
        RecordError: there is no such run, or its record cannot be read.
    """
    store = Store(folder)
    row = store.run(name)
    where = run_folder(store.folder, row.run_id)
    budgets = _budgets(where / BUDGETS)
    judged = []
    for number, one in enumerate(store.readings(row.run_id)):
        of, budget = budgets.get(number, (None, ()))
        if of == (one.step, one.quantity):
            one = replace(one, reading=replace(one.reading, budget=budget))
        judged.append(one)
    messages = where / MESSAGES
    return RunData(
        folder=where,
        run=row,
        judged=tuple(counted(judged)),
        facts=read_json(where / FACTS),
        traces=tuple(Trace(p.stem, p) for p in _listed(where / TRACES, ".csv")),
        files=tuple(_listed(where / FILES)),
        messages=messages if messages.is_file() else None,
        missing=store.lost(row),
        sounds=tuple(_listed(where / TRACES, ".wav")),
    )


_Budgets = dict[int, tuple[tuple[str, str], tuple[Contribution, ...]]]


def _budgets(path: Path) -> _Budgets:
    """Budgets by the number of their reading. Lines that were torn are left out: the row of the
    reading has U in any case."""
    found: _Budgets = {}
    try:
        with opened(path) as file:
            for line in file:
                with suppress(ValueError, KeyError, TypeError, RecursionError):
                    entry = json.loads(line.decode("utf-8", "replace"))
                    key = (entry["step"], entry["quantity"])
                    found[int(entry["reading"])] = (key, budget_of_entry(entry))
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise from_os(error, path, "reading the budgets") from error
    return found


def _listed(folder: Path, suffix: str = "") -> list[Path]:
    return [p for p in held_in(folder) if p.is_file() and p.name.endswith(suffix)]
