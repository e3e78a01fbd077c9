"""The record: one row per reading in ``readings.csv``, two per run in ``runs.csv``, a folder a run.

Write with :class:`Store` and the :class:`RunRecord` that it starts; read back with
:meth:`Store.readings`, :meth:`Store.runs` and :func:`load_run`; join two benches' records with
:func:`merge`.
"""

from seqrun.record.errors import RecordError, RecordLocked
from seqrun.record.load import RunData, Trace, load_run
from seqrun.record.merge import Merged, merge
from seqrun.record.messages import MessageFile
from seqrun.record.rows import (
    READING_COLUMNS,
    RUN_COLUMNS,
    RunInfo,
    RunRow,
)
from seqrun.record.run import RunRecord
from seqrun.record.shared import shared_owners
from seqrun.record.store import Store
from seqrun.record.traces import read_trace

__all__ = [
    "READING_COLUMNS",
    "RUN_COLUMNS",
    "Merged",
    "MessageFile",
    "RecordError",
    "RecordLocked",
    "RunData",
    "RunInfo",
    "RunRecord",
    "RunRow",
    "Store",
    "Trace",
    "load_run",
    "merge",
    "read_trace",
    "shared_owners",
]
