"""One row of ``cases.csv``: what was said or done of a unit, by whom, when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, get_args

from seqrun.record import cells

CASE_COLUMNS = ("serial", "time_utc", "kind", "text", "by", "follows", "sha256")
#: complaint: the owner's words; answer: the owner's, to a question; work: what was done to it;
#: photo: a file of :mod:`seqrun.record.photos` and what it shows
Kind = Literal["complaint", "answer", "work", "photo"]


@dataclass(frozen=True, slots=True)
class CaseEntry:
    """One row of ``cases.csv``."""

    serial: str
    time_utc: str
    kind: Kind
    text: str
    by: str
    follows: str
    sha256: str

    @classmethod
    def parse(cls, row: Sequence[str]) -> CaseEntry:
        """A row of cells in the order of :data:`CASE_COLUMNS`.

        Raises:
            ValueError: the kind or the time is not valid.
        """
        cells.from_utc(row[1])
        kinds: tuple[Kind, ...] = get_args(Kind)
        kind = next((k for k in kinds if k == row[2]), None)
        if kind is None:
            raise ValueError(f"'{row[2]}' is none of {', '.join(kinds)}")
        text = cells.from_text
        return cls(text(row[0]), row[1], kind, text(row[3]), text(row[4]), row[5], row[6])

    @property
    def time(self) -> datetime | None:
        return cells.from_utc(self.time_utc)
