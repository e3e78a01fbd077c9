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


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One row of ``readings.csv``: numbers in ``unit``, times as ISO 8601 text.

    ``expanded_uncertainty`` and ``coverage_factor`` are None where none is stated. (Rows written
    before that was so have an uncertainty of 0; both are read alike.)
    """

    run_id: str
    time_utc: str
    serial: str
    model: str
    sequence: str
    revision: str
    step: str
    channel: str
    quantity: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    coverage_factor: float | None
    bound: Bound
    limit_low: float | None
    limit_high: float | None
    decision: str
    verdict: Verdict
    conformance_probability: float | None
    instruments: tuple[str, ...]
    simulated: bool
    note: str

    @property
    def time(self) -> datetime | None:
        return cells.from_utc(self.time_utc)

    @property
    def limit(self) -> Limit | None:
        if self.limit_low is None and self.limit_high is None:
            return None
        return Limit(self.limit_low, self.limit_high)

    def judged(self, budget: tuple[Contribution, ...] | None = None) -> Judged:
        """The row as the judge gave it. Without its budget, U stands as one contribution."""
        if budget is None:
            u = (self.expanded_uncertainty or 0.0) / (self.coverage_factor or COVERAGE_FACTOR)
            budget = (Contribution(Source("combined"), u),) if u else ()
        reading = Reading(
            self.quantity,
            self.unit,
            self.value,
            budget,
            self.channel,
            self.bound,
            self.instruments,
            self.note,
        )
        return Judged(
            reading,
            self.step,
            self.limit,
            self.decision,
            self.verdict,
            self.conformance_probability,
        )

    @classmethod
    def parse(cls, row: Sequence[str]) -> ReadingRow:
        """A row of cells in the order of :data:`READING_COLUMNS`.

        Raises:
            ValueError: a cell does not hold what its column says.
        """
        text = cells.from_text
        number = cells.from_number
        return cls(
            row[0],
            row[1],
            text(row[2]),
            text(row[3]),
            text(row[4]),
            text(row[5]),
            text(row[6]),
            text(row[7]),
            text(row[8]),
            number(row[9]),
            text(row[10]),
            number(row[11]),
            number(row[12]),
            Bound(row[13]),
            number(row[14]),
            number(row[15]),
            row[16],
            Verdict(row[17]),
            number(row[18]),
            tuple(text(row[19]).split(_SEPARATOR)) if row[19] else (),
            cells.from_flag(row[20]),
            text(row[21]),
        )


def reading_cells(
    run_id: str, info: RunInfo, judged: Judged, simulated: bool, time: datetime
) -> list[str]:
    """The cells of one reading, in the order of :data:`READING_COLUMNS`."""
    text, number = cells.text, cells.number
    reading, limit = judged.reading, judged.limit or Limit()
    # A setting, a count, a peak: no uncertainty is stated, which is not to say that it is nothing.
    stated = reading.value is not None and bool(reading.budget)
    return [
        run_id,
        cells.utc(time),
        text(info.serial),
        text(info.model),
        text(info.sequence),
        text(info.revision),
        text(judged.step),
        text(reading.channel),
        text(reading.quantity),
        number(reading.value),
        text(reading.unit),
        number(reading.expanded_uncertainty) if stated else "",
        number(COVERAGE_FACTOR) if stated else "",
        reading.bound.value,
        number(limit.low),
        number(limit.high),
        judged.decision,
        judged.verdict.value,
        number(judged.conformance_probability),
        text(_SEPARATOR.join(reading.instruments)),
        cells.flag(simulated),
        text(reading.note),
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
