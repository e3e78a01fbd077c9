"""The two tables' columns, and their rows as values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from seqrun.record import cells
from seqrun.values import (
    COVERAGE_FACTOR,
    Bound,
    Contribution,
    Disposition,
    Judged,
    Limit,
    Reading,
    Source,
    Verdict,
)

READING_COLUMNS = (
    "run_id",
    "time_utc",
    "serial",
    "model",
    "sequence",
    "revision",
    "step",
    "channel",
    "quantity",
    "value",
    "unit",
    "expanded_uncertainty",
    "coverage_factor",
    "bound",
    "limit_low",
    "limit_high",
    "decision",
    "verdict",
    "conformance_probability",
    "instruments",
    "simulated",
    "note",
)
RUN_COLUMNS = (
    "run_id",
    "started_utc",
    "ended_utc",
    "serial",
    "model",
    "sequence",
    "revision",
    "bench",
    "operator",
    "disposition",
    "reason",
    "simulated",
    "version",
)
NOT_FINISHED = "not finished"
_SEPARATOR = "; "  # between instruments in one cell


@dataclass(frozen=True, slots=True)
class RunInfo:
    """What is known of a run when it starts."""

    serial: str
    model: str
    sequence: str
    revision: str = ""
    bench: str = ""
    operator: str = ""
    simulated: bool = False
    version: str = ""


def judged_of(row: Sequence[str]) -> Judged:
    """A reading from its cells, in the order of :data:`READING_COLUMNS`; U stands as one
    contribution, since the table holds no budget.

    A row that an earlier version wrote with an uncertainty of 0 states none, as one with an empty
    cell.

    Raises:
        ValueError: a cell does not hold what its column says.
    """
    text, number = cells.from_text, cells.from_number
    expanded, factor = number(row[11]), number(row[12])
    u = (expanded or 0.0) / (factor or COVERAGE_FACTOR)
    reading = Reading(
        quantity=text(row[8]),
        unit=text(row[10]),
        value=number(row[9]),
        budget=(Contribution(Source("combined"), u),) if u else (),
        channel=text(row[7]),
        bound=Bound(row[13]),
        instruments=tuple(text(row[19]).split(_SEPARATOR)) if row[19] else (),
        note=text(row[21]),
    )
    low, high = number(row[14]), number(row[15])
    return Judged(
        reading,
        step=text(row[6]),
        limit=None if low is None and high is None else Limit(low, high),
        decision=row[16],
        verdict=Verdict(row[17]),
        conformance_probability=number(row[18]),
        time_utc=row[1],
        simulated=cells.from_flag(row[20]),
    )


def reading_cells(
    run_id: str, info: RunInfo, judged: Judged, simulated: bool, time: datetime
) -> list[str]:
    """The cells of one reading, in the order of :data:`READING_COLUMNS`."""
    text, number = cells.text, cells.number
    return [
        run_id,
        cells.utc(time),
        text(info.serial),
        text(info.model),
        text(info.sequence),
        text(info.revision),
        text(judged.step),
        text(judged.channel),
        text(judged.quantity),
        number(judged.value),
        text(judged.unit),
        number(judged.expanded_uncertainty),
        number(judged.coverage_factor),
        judged.bound.value,
        number(judged.limit_low),
        number(judged.limit_high),
        judged.decision,
        judged.verdict.value,
        number(judged.conformance_probability),
        text(_SEPARATOR.join(judged.instruments)),
        cells.flag(simulated),
        text(judged.note),
    ]


@dataclass(frozen=True, slots=True)
class RunRow:
    """One row of ``runs.csv``; read back, the start and the end of a run are one.

    A run without an end on record is aborted, "not finished": a power cut, or still running.
    """

    run_id: str
    started_utc: str
    ended_utc: str
    serial: str
    model: str
    sequence: str
    revision: str
    bench: str
    operator: str
    disposition: Disposition
    reason: str
    simulated: bool
    version: str

    @property
    def finished(self) -> bool:
        return bool(self.ended_utc)

    @property
    def started(self) -> datetime | None:
        return cells.from_utc(self.started_utc)

    @property
    def ended(self) -> datetime | None:
        return cells.from_utc(self.ended_utc)

    @classmethod
    def parse(cls, row: Sequence[str]) -> RunRow:
        """A row of cells in the order of :data:`RUN_COLUMNS`.

        Raises:
            ValueError: a cell does not hold what its column says.
        """
        text = cells.from_text
        ended = bool(row[2])
        for time in row[1:3]:
            cells.from_utc(time)
        return cls(
            row[0],
            row[1],
            row[2],
            text(row[3]),
            text(row[4]),
            text(row[5]),
            text(row[6]),
            text(row[7]),
            text(row[8]),
            Disposition(row[9]) if ended else Disposition.ABORTED,
            text(row[10]) if ended else NOT_FINISHED,
            cells.from_flag(row[11]),
            text(row[12]),
        )


def run_cells(
    run_id: str,
    info: RunInfo,
    started: datetime,
    ended: datetime | None = None,
    disposition: Disposition | None = None,
    reason: str = "",
) -> list[str]:
    """The cells of a run's start or end, in the order of :data:`RUN_COLUMNS`."""
    text = cells.text
    return [
        run_id,
        cells.utc(started),
        cells.utc(ended) if ended else "",
        text(info.serial),
        text(info.model),
        text(info.sequence),
        text(info.revision),
        text(info.bench),
        text(info.operator),
        disposition.value if disposition else "",
        text(reason),
        cells.flag(info.simulated),
        text(info.version),
    ]
