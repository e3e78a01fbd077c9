"""Joining another bench's results folder to ours, without loss and without doubles."""

from __future__ import annotations

import filecmp
import hashlib
import re
import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from seqrun.errors import UsageError
from seqrun.record.cases import Cases
from seqrun.record.errors import RecordError, from_os
from seqrun.record.photos import FOLDER as PHOTOS
from seqrun.record.places import is_run_id
from seqrun.record.store import Store
from seqrun.record.table import Table, encode

_ROWS_AT_ONCE = 20_000
#: whose files of a run are the later ones, from who has its end (ours, theirs)
_AGES = {
    (False, True): "later",
    (True, False): "earlier",
    (False, False): "",
    (True, True): "",
}
_MARK = re.compile(r"\.[0-9a-f]{8}(?=\.[^.]*$|$)")  # of a file that both had differently


@dataclass(frozen=True, slots=True)
class Merged:
    """What a merge added."""

    runs: int
    readings: int
    files: int
    said: int  # entries of cases


def merge(into: Path | str, other: Path | str) -> Merged:
    """Add to ``into`` every run, reading and file of ``other`` that it does not have.

    Rows are compared whole and counted, so a merge done twice, or broken off and done again, adds
    each row just as often as ``other`` has it. Of a file that both have, the longer one stays when
    it continues the shorter one, and that of the folder which alone has the end of the run;
    otherwise both are kept, theirs with a mark in its name. So in whichever order folders are
    merged, the rows and the files' contents are the same. ``other`` is only read; no symbolic
    link among its files and folders is followed.

    Raises:
        UsageError: the folders are the same one, or ``other`` holds no record.
        RecordError: a folder cannot be read or written, or a row of ``other`` has no run id.
    """
    ours, theirs = Store(into), Store(other)
    if ours.folder.resolve() == theirs.folder.resolve():
        raise UsageError("both are the same results folder", where=str(ours.folder))
    if not theirs.runs_table.path.is_file() and not theirs.readings_table.path.is_file():
        raise UsageError(
            "no record is there", expected="readings.csv and runs.csv", where=str(theirs.folder)
        )
    try:
        ours.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise from_os(error, ours.folder, "making the results folder") from error
    with ours.lock():
        known = {run.run_id: run.finished for run in ours.runs()}
        ended = {run.run_id for run in theirs.runs() if run.finished}
        files = 0
        # files before rows: when it is broken off in between, the next merge still knows whose
        # files are the later ones
        for folder in theirs.folders():
            has_end = known.get(folder.name, False), folder.name in ended
            files += _join_folder(ours.folder, theirs.folder, Path(folder.name), _AGES[has_end])
        files += _join_folder(ours.folder, theirs.folder, PHOTOS, "")
        runs = _join_table(ours.runs_table, theirs.runs_table)
        readings = _join_table(ours.readings_table, theirs.readings_table)
        said = _join_table(Cases(ours).table, Cases(theirs).table, of_runs=False)
    return Merged(len(runs - known.keys()), sum(readings.values()), files, sum(said.values()))


def _join_table(ours: Table, theirs: Table, *, of_runs: bool = True) -> Counter[str]:
    """Append what is missing; how many rows of each run (or unit) that was."""
    there = Counter(_mark(row) for _, row in ours.rows())
    added: Counter[str] = Counter()
    missing = _missing(theirs, there, of_runs)
    while rows := list(islice(missing, _ROWS_AT_ONCE)):
        ours.append(rows)
        added.update(row[0] for row in rows)
    return added


def _missing(theirs: Table, there: Counter[bytes], of_runs: bool) -> Iterator[list[str]]:
    for number, row in theirs.rows():
        if of_runs and not is_run_id(row[0]):
            raise RecordError(
                f"line {number} has the run id {row[0][:60]!r}",
                expected="an id that seqrun gave",
                where=str(theirs.path),
                hint="it was edited by hand: mend that line",
            )
        mark = _mark(row)
        if there[mark] > 0:
            there[mark] -= 1
        else:
            yield row


def _mark(row: list[str]) -> bytes:
    return hashlib.blake2b(encode([row]), digest_size=16).digest()


def _join_folder(ours: Path, theirs: Path, within: Path, age: str) -> int:
    """Copy what is missing of a folder within ``ours``; how many files that was."""
    copied = 0
    # Plain names first: what is marked beside one is compared with the file that stays there.
    found = sorted((theirs / within).rglob("*"), key=lambda p: (bool(_MARK.search(p.name)), p))
    for path in found:
        relative = path.relative_to(theirs)
        links = ((theirs / part).is_symlink() for part in (relative, *relative.parents[:-1]))
        if any(links) or not path.is_file():
            continue
        target = _target(ours / relative, path, age)
        if target is None:
            continue
        part = target.with_name(target.name + ".part")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, part)
            part.replace(target)
        except OSError as error:
            raise from_os(error, path, "copying a file of the run") from error
        copied += 1
    return copied


def _target(ours: Path, theirs: Path, age: str) -> Path | None:
    """Where their file goes; None when there is nothing to copy."""
    try:
        if not ours.exists():
            # their marked file may be what stands here under its plain name
            plain = ours.with_name(_MARK.sub("", ours.name))
            return None if plain != ours and plain.exists() and _same(plain, theirs) else ours
        if age == "earlier" or _same(ours, theirs) or _continues(ours, theirs):
            return None
        if age == "later" or _continues(theirs, ours):
            return ours
        digest = hashlib.blake2b(theirs.read_bytes(), digest_size=4).hexdigest()
        marked = ours.with_name(f"{ours.stem}.{digest}{ours.suffix}")
        return None if marked.exists() else marked
    except OSError as error:
        raise from_os(error, theirs, "comparing a file of the run") from error


def _same(one: Path, other: Path) -> bool:
    return filecmp.cmp(one, other, shallow=False)


def _continues(longer: Path, shorter: Path) -> bool:
    """Whether ``longer`` begins with the whole of ``shorter``."""
    with longer.open("rb") as a, shorter.open("rb") as b:
        while block := b.read(1 << 16):
            if a.read(len(block)) != block:
                return False
    return True
