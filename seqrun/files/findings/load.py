"""Reading a findings file with those it uses, and finding the one that belongs to a sequence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import lru_cache
from pathlib import Path
from typing import Any

from seqrun.errors import FileError
from seqrun.files.common import Problem, load_text, read_text
from seqrun.files.findings.file import ENTRIES, FindingsFile
from seqrun.files.findings.patterns import (
    Patterns,
    expand_leniently,
    patterns_for,
    unknown_quantities,
)
from seqrun.files.repeat import sample_unit
from seqrun.files.shipped import find, shipped
from seqrun.files.unit.sheet import Unit


def findings_from_text(
    text: str,
    path: str | Path = "findings file",
    quantities: Mapping[str, str] | None = None,
) -> FindingsFile:
    """A findings file from TOML text in memory.

    Args:
        quantities: name -> unit of every quantity that a step yields; with them it is checked that
            the file asks for no other. They belong to a higher floor.

    Raises:
        FileError: listing everything that is wrong.
    """

    def more(file: FindingsFile) -> Iterator[Problem]:
        try:
            whole = _with_used(file)
        except FileError as problem:
            yield Problem("uses", problem.found, problem.expected or "")
            return
        found, problems = expand_leniently(whole, sample_unit())
        yield from problems
        if quantities is not None:
            yield from unknown_quantities(found, quantities)

    return _with_used(load_text(FindingsFile, text, Path(path), more))


def _with_used(file: FindingsFile) -> FindingsFile:
    """With the entries of the files that it uses."""
    others = [find("findings", name) for name in file.uses]
    used = [load_text(FindingsFile, read_text(path), path) for path in others]
    if not used:
        return file
    return file.model_copy(update=_together((file, *used)))


def _together(files: Sequence[FindingsFile]) -> dict[str, tuple[Any, ...]]:
    """The entries of all files by kind, each once: files that use one another share theirs."""
    found: dict[str, list[Any]] = {kind: [] for kind in (*ENTRIES, "apart")}
    for file in files:
        for kind, entries in found.items():
            entries += [one for one in getattr(file, kind) if one not in entries]
    return {kind: tuple(entries) for kind, entries in found.items()}


def load_findings(name: str | Path, quantities: Mapping[str, str] | None = None) -> FindingsFile:
    """A findings file by the name of a shipped one or by path; ``quantities`` as in
    :func:`findings_from_text`.

    Raises:
        FileError: missing, or with something wrong in it.
    """
    path = find("findings", name)
    return findings_from_text(read_text(path), path, quantities)


@lru_cache(maxsize=16)
def _shipped(path: Path, changed_ns: int) -> FindingsFile:
    """A shipped file, read again only when it has changed: a study weighs thousands of runs."""
    return load_findings(path)


def findings_for(*sequences: str) -> FindingsFile | None:
    """What the shipped findings files have for sequences, by name, as one; None when nothing.

    Their entries are put together, so that causes of one compete with causes of another; the
    first file's ``no_fault`` and ``trust`` count.

    Raises:
        FileError: one of them has something wrong in it.
    """
    files = [_shipped(path, path.stat().st_mtime_ns) for path in shipped("findings").values()]
    fitting = [
        f for f in files if any(fnmatchcase(name, p) for p in f.sequences for name in sequences)
    ]
    if len(fitting) < 2:
        return fitting[0] if fitting else None
    first = fitting[0]
    together = _together(fitting)
    title = "; ".join(file.title for file in fitting)
    return first.model_copy(update={**together, "title": title[:400]})


def patterns_of(sequences: Iterable[str], unit: Unit) -> Patterns | None:
    """What the shipped findings files have for sequences and say about one unit; None when nothing.

    Kept while files and sheet are what they were: a study weighs thousands of runs of one unit.

    Raises:
        FileError: one of them has something wrong in it, or does not fit the unit.
    """
    stamps = tuple((path, path.stat().st_mtime_ns) for path in shipped("findings").values())
    return _patterns_of(frozenset(sequences), unit, stamps)


@lru_cache(maxsize=32)
def _patterns_of(
    sequences: frozenset[str], unit: Unit, stamps: tuple[tuple[Path, int], ...]
) -> Patterns | None:
    file = findings_for(*sorted(sequences))
    return patterns_for(file, unit) if file is not None else None
