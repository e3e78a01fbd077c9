"""What is on record of a unit's present stay: what was said, what was run, what was done."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from pathlib import Path

from seqrun.errors import UsageError
from seqrun.files.command import command
from seqrun.record import RunData, RunRow, Store, load_run
from seqrun.record.case_rows import CaseEntry
from seqrun.record.cases import Cases
from seqrun.record.errors import RecordError
from seqrun.record.photos import Photo, photos_of
from seqrun.record.places import FACTS, run_folder
from seqrun.record.plain import read_json
from seqrun.values import Disposition


@dataclass(frozen=True)
class Case:
    """One stay of one unit. ``runs`` and ``entries`` are those of the stay, oldest first."""

    serial: str
    results: Path
    entries: tuple[CaseEntry, ...]
    runs: tuple[RunData, ...]
    lost: tuple[str, ...]  # of cases.csv; what runs lost stands with each
    earlier: int = 0  # runs of stays before
    alike: tuple[str, ...] = ()  # other units on record whose serials are written nearly alike

    def said(self, kind: str) -> tuple[CaseEntry, ...]:
        """The entries of one kind."""
        return tuple(e for e in self.entries if e.kind == kind)

    @property
    def photos(self) -> tuple[Photo, ...]:
        """The photographs of the stay, oldest first."""
        return photos_of(self.results, self.entries)

    @property
    def worked_at(self) -> str:
        """When work was last done on it, UTC; "" for never."""
        work = self.said("work")
        return work[-1].time_utc if work else ""

    @property
    def before(self) -> tuple[RunData, ...]:
        """Runs before the latest work; all of them when none was done."""
        return tuple(r for r in self.runs if not self.worked_at or not self._since(r))

    @property
    def after(self) -> tuple[RunData, ...]:
        """Runs since the latest work."""
        return tuple(r for r in self.runs if self.worked_at and self._since(r))

    def _since(self, run: RunData) -> bool:
        return run.run.started_utc >= self.worked_at

    @property
    def last(self) -> RunData | None:
        return self.runs[-1] if self.runs else None

    @property
    def simulated(self) -> bool:
        return any(run.run.simulated for run in self.runs)

    @property
    def faulty(self) -> bool:
        """It was complained of, or a run of the stay was no accept: no fault is no way out. A run
        that somebody or a link cut short says nothing of the unit."""
        return bool(self.said("complaint")) or any(
            run.run.disposition in (Disposition.REJECT, Disposition.HOLD) or run.tripped
            for run in self.runs
        )

    @property
    def answered(self) -> frozenset[str]:
        """Titles of the causes that somebody has answered with a reason, in a run of the stay."""
        titles = set()
        for run in self.after or self.before:
            held = run.facts.get("held_for")
            if isinstance(held, dict) and run.facts.get("answer"):
                titles.add(str(held.get("title", "")))
        return frozenset(titles)


def case_of(results: Path | str, serial: str) -> Case:
    """The present stay of a unit.

    A stay begins with what was complained of, together with the runs that nobody had complained
    before; a complaint after a releasing accept begins the next one, for the unit went out.

    Raises:
        UsageError: nothing is on record of such a unit.
        RecordError: the record cannot be read.
    """
    store = Store(results)
    cases = Cases(store)
    entries = cases.entries(serial)
    rows = store.runs(serial)
    known = sorted(store.serials() | set(cases.serials()))
    if not entries and not rows:
        begins = command("unit", serial, "--complaint", "what its owner says", results=store.folder)
        raise UsageError(
            f"nothing is on record of a unit '{serial}'",
            expected=f"one of {', '.join(known[-6:])}" if known else "a unit that came in",
            where=str(store.folder),
            hint=f"'{begins}' begins its case",
        )
    since = _came_in(store, entries, rows)
    stay = [row for row in rows if row.started_utc > since]
    return Case(
        serial,
        store.folder,
        tuple(e for e in entries if e.time_utc > since),
        tuple(load_run(store.folder, row.run_id) for row in stay),
        cases.lost(serial),
        len(rows) - len(stay),
        tuple(one for one in known if one != serial and _bare(one) == _bare(serial)),
    )


def _bare(serial: str) -> str:
    """A serial without what is easily written otherwise: capitals, blanks, signs, widths of a
    letter, O for 0, I for 1."""
    plain = unicodedata.normalize("NFKC", serial).casefold()
    return "".join(c for c in plain if c.isalnum()).replace("o", "0").replace("i", "1")


def _came_in(store: Store, entries: list[CaseEntry], rows: list[RunRow]) -> str:
    """UTC after which the present stay lies: the end of the accept before its complaint; ""."""
    complaints = [e.time_utc for e in entries if e.kind == "complaint"]
    released = [
        row.ended_utc
        for row in rows
        if row.disposition is Disposition.ACCEPT and _releases(store, row)
    ]
    if not complaints:
        return ""
    return max((end for end in released if end < complaints[-1]), default="")


def _releases(store: Store, row: RunRow) -> bool:
    try:
        return bool(read_json(run_folder(store.folder, row.run_id) / FACTS).get("releases"))
    except RecordError:
        return False
