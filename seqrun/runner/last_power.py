"""When a unit had power last, and how warm it was then, by the record of its runs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from seqrun.record import Store
from seqrun.record.cells import from_utc
from seqrun.values import Judged

#: a run has put power on a unit where it has read one of these
POWERED = frozenset({"bring_up_current", "overload_seen"})
_SINK = frozenset({"sink_temperature", "held_sink_temperature"})
#: one that ended longer ago has left nothing
LOOKED_BACK = timedelta(hours=6)


@dataclass(frozen=True, slots=True)
class LastPower:
    """The last run that had power on a unit, its end as far as it is on record, and the largest
    rise of its heatsink over the room that it has read, K (None: it has read none)."""

    run_id: str
    ended: datetime
    rise_k: float | None

    def ago_s(self) -> float:
        return (datetime.now(UTC) - self.ended).total_seconds()


def last_power(store: Store, serial: str, but: str) -> LastPower | None:
    """Of a unit by its serial number; None where nothing of the last hours is on record.

    Args:
        but: the run that asks.

    Raises:
        RecordError: the record cannot be read.
    """
    since = datetime.now(UTC) - LOOKED_BACK
    for row in reversed(store.runs(serial)):
        started = row.ended or row.started
        if row.run_id == but:
            continue
        if started is None or started < since:
            return None
        judged = list(store.readings(row.run_id))
        if not any(one.quantity in POWERED for one in judged):
            continue
        # A run that was cut off ended when it was heard of last, or later.
        last = max(filter(None, (from_utc(one.time_utc) for one in judged)), default=started)
        return LastPower(row.run_id, max(started, last), _rise(judged))
    return None


def _rise(judged: list[Judged]) -> float | None:
    room = [j.value for j in judged if j.quantity == "ambient_temperature" and j.value is not None]
    sink = [j.value for j in judged if j.quantity in _SINK and j.value is not None]
    return max(sink) - room[0] if room and sink else None
