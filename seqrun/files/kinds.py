"""Which kind of file a TOML file is."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from seqrun.errors import FileError
from seqrun.files.common import parse_toml, read_text

FileKind = Literal["sequence", "unit", "bench", "driver", "findings", "costs"]

#: keys that tell a kind from the others, the surest first
_MARKS: dict[FileKind, tuple[str, ...]] = {
    "sequence": ("step", "title", "decision", "trip", "revision"),
    "bench": ("instrument", "lead", "load", "sensor", "simulator"),
    "driver": ("role", "idn", "operation", "accuracy", "link"),
    "unit": ("model", "topology", "rails", "rail_voltage", "rated_power", "channels"),
    "findings": ("sign", "cause", "value", "section", "apart"),
    "costs": ("hourly_rate", "value_working", "value_as_parts", "currency", "repair", "keep"),
}


def kind_of_table(table: Mapping[str, Any]) -> FileKind | None:
    """The kind with most of its marks among the keys; None when there is none."""
    scores = {kind: sum(mark in table for mark in marks) for kind, marks in _MARKS.items()}
    best = max(scores, key=lambda kind: scores[kind])
    return best if scores[best] else None


def kind_of(path: Path) -> FileKind:
    """Which kind of file it is, by its keys.

    Raises:
        FileError: not readable, not TOML, or none of the kinds.
    """
    kind = kind_of_table(parse_toml(read_text(path), path))
    if kind is None:
        raise FileError(
            "is not a file of any known kind",
            expected="a sequence (title, [[step]]), a unit sheet (model, topology), a bench file "
            "([instrument.…]), a driver file (role), a findings file ([[sign]], [[cause]]) or a "
            "cost sheet (hourly_rate)",
            where=str(path),
        )
    return kind
