"""Reading a sequence file: its entries, and whether they fit one another and a unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from seqrun.files.common import Problem, load_text, read_text
from seqrun.files.repeat import sample_unit
from seqrun.files.sequence.crosscheck import cross_check
from seqrun.files.sequence.expand import check_trips, expand_leniently
from seqrun.files.sequence.fields import StepFields
from seqrun.files.sequence.file import MOST_STEPS, Sequence
from seqrun.files.shipped import find
from seqrun.files.unit.names import UNIT_OF_NAME
from seqrun.files.unit.sheet import Unit


def load_sequence(
    name: str | Path,
    step_kinds: Mapping[str, type[StepFields]],
    unit: Unit | None = None,
) -> Sequence:
    """A sequence by the name of a shipped one or by path.

    Args:
        step_kinds: ``do = "name"`` -> the model of its fields.
        unit: check against this unit too; without one it is checked as far as that goes with
            a unit of two channels, and again by :func:`seqrun.files.sequence.expand.expand_all`.

    Raises:
        FileError: listing everything that is wrong.
    """
    path = find("sequence", name)
    return sequence_from_text(read_text(path), step_kinds, path, unit)


def sequence_from_text(
    text: str,
    step_kinds: Mapping[str, type[StepFields]],
    path: str | Path = "sequence",
    unit: Unit | None = None,
) -> Sequence:
    """A sequence from TOML text in memory; otherwise as :func:`load_sequence`."""

    def more(sequence: Sequence) -> Iterator[Problem]:
        sequence.read_with(step_kinds)
        steps, problems, broken = expand_leniently(sequence, unit or sample_unit())
        yield from problems
        yield from cross_check(steps, unit, broken)
        yield from check_trips(sequence, UNIT_OF_NAME)

    def anyhow(table: dict[str, Any]) -> Iterator[Problem]:
        """The steps of a file whose head is wrong, so that all is listed at once."""
        entries = table.get("step")
        if isinstance(entries, list):
            tables = tuple(entry for entry in entries if isinstance(entry, dict))[:MOST_STEPS]
            yield from more(Sequence(title="-", revision="-", unit="", step=tables or ({},)))

    return load_text(Sequence, text, Path(path), more, anyhow)
