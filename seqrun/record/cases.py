"""``cases.csv``: what people said of a unit while it was on the bench, and what they did to it.

Append-only, flushed and synced as the other tables are. Each row carries the SHA-256 of its own
cells and names the row of the same unit that it followed, so that a row that was changed, or taken
out from between others, shows. Two benches that both wrote go on side by side when they are merged.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.files.serial import check_serial
from seqrun.record import cells
from seqrun.record.case_rows import CASE_COLUMNS, CaseEntry, Kind
from seqrun.record.photos import photos_of, put
from seqrun.record.table import Table, encode

if TYPE_CHECKING:
    from seqrun.record.store import Store

LONGEST = 2000  # characters of one entry


class Cases:
    """The cases of one results folder."""

    def __init__(self, store: Store) -> None:
        self.folder = store.folder
        self.table = Table(store.folder / "cases.csv", CASE_COLUMNS, store.lock)

    def add(
        self, serial: str, kind: Kind, text: str, by: str = "", time: datetime | None = None
    ) -> None:
        """Put an entry on record: when this returns, a power cut cannot take it away.

        Raises:
            UsageError: nothing was said, or too much; a serial number that cannot go on record.
            RecordError: the results folder cannot be written.
        """
        serial, said = self.check(serial, kind, text)
        moment = cells.utc(time or datetime.now(UTC))
        with self.table.lock():
            before = self.entries(serial)
            row = [cells.text(serial), moment, kind, said, cells.text(by)]
            row.append(before[-1].sha256 if before else "")
            self.table.append([[*row, _digest(row)]])

    def add_photo(self, serial: str, jpeg: bytes, note: str = "", by: str = "") -> Path:
        """Put a photograph on record; where it lies.

        Args:
            jpeg: as :func:`seqrun.record.photos.written_anew` gives it.

        Raises:
            UsageError: a note or serial number that cannot go on record.
            RecordError: the results folder cannot be written.
        """
        text = f"{hashlib.sha256(jpeg).hexdigest()}.jpg {note}".strip()
        with self.table.lock():
            self.check(serial, "photo", text)
            path = put(self.folder, jpeg)
            self.add(serial, "photo", text, by)
        return path

    def check(self, serial: str, kind: Kind, text: str) -> tuple[str, str]:
        """Serial number and text as they would go on record.

        Raises:
            UsageError: they cannot.
        """
        serial = check_serial(serial)
        said = cells.text(text)
        where = f"{kind} of {serial}"
        if not any(letter.isalnum() for letter in said):
            raise UsageError(f"'{text}' says nothing", expected="a few words", where=where)
        if len(said) > LONGEST:
            raise UsageError(f"{len(said)} characters", expected=f"at most {LONGEST}", where=where)
        return serial, said

    def entries(self, serial: str) -> list[CaseEntry]:
        """What was said and done of one unit, oldest first.

        Raises:
            RecordError: the table cannot be read.
        """
        found = [e for e in self.table.parsed(CaseEntry.parse) if e.serial == serial]
        return sorted(found, key=lambda e: e.time_utc)

    def serials(self) -> list[str]:
        """Every unit that something was said of.

        Raises:
            RecordError: the table cannot be read.
        """
        return sorted({e.serial for e in self.table.parsed(CaseEntry.parse)})

    def lost(self, serial: str) -> tuple[str, ...]:
        """What is not as it was written, one line each; nothing for a whole case.

        Raises:
            RecordError: the table cannot be read.
        """
        rows = [(n, r) for n, r in self.table.rows() if cells.from_text(r[0]) == serial]
        known = {row[6] for _, row in rows}
        found = [
            f"line {number} of {self.table.path.name} is not as it was written"
            for number, row in rows
            if _digest(row[:6]) != row[6]
        ]
        found += [
            f"the row before line {number} of {self.table.path.name} is gone"
            for number, row in rows
            if row[5] and row[5] not in known
        ]
        found += [one.lost for one in photos_of(self.folder, self.entries(serial)) if one.lost]
        return tuple(found)


def _digest(row: Sequence[str]) -> str:
    return hashlib.sha256(encode([row])).hexdigest()
