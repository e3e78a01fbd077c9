"""What record lengths, rates and samples a scope has, by its driver file alone: for the plan as
for the open instrument."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from seqrun.files.driver.equipment import ScopeSettings
from seqrun.instruments.vertical import snapped, snapped_up


def share_of_memory(settings: ScopeSettings, channels: int) -> int:
    """What a record is divided by with so many channels on: shared memory is cut in halves and
    quarters, so that three channels have a quarter each."""
    if settings.memory != "shared":
        return 1
    return 1 << (max(1, channels) - 1).bit_length()


def longest_record(settings: ScopeSettings, channels: int) -> int:
    """The longest record per channel with so many channels on."""
    return settings.max_points // share_of_memory(settings, channels)


def record_for(settings: ScopeSettings, points: int, channels: int) -> int:
    """The shortest record that holds so many points; the longest when none does."""
    share = share_of_memory(settings, channels)
    records = [record // share for record in settings.records]
    fitting = [record for record in records if points <= record]
    return min(fitting) if fitting else (max(records) if records else points)


def rate_near(settings: ScopeSettings, wanted_hz: float, record: int) -> float:
    """The sample rate nearest to the wanted one that a record of that length can be taken at, Hz.

    Where time per division is what is set, the rate follows: record / (divisions · time). It is
    then the nearest that is not higher, so that the record is no shorter in time than wanted.
    """
    if settings.sets == "rate":
        return snapped(wanted_hz, settings.rate_steps, settings.max_rate)
    wanted_s = record / (min(wanted_hz, settings.max_rate) * settings.time_divisions)
    per_division = snapped_up(wanted_s, settings.time_steps)
    return record / (per_division * settings.time_divisions)


def samples_of(settings: ScopeSettings) -> np.dtype[np.generic] | None:
    """The type of one sample in a block; None when samples come as text."""
    if settings.sample == "ascii":
        return None
    return np.dtype(settings.sample).newbyteorder(settings.byte_order)


def numbers_of(text: str) -> NDArray[np.float64]:
    """Samples as text: numbers between commas, a block's ``#`` and length before them or not.

    Raises:
        ValueError: one is no number, or there is none.
    """
    found = re.match(r"^[^#]{0,100}#(\d)", text)
    if found is not None and int(found[1]):
        start = found.end() + int(found[1])
        text = text[start:]
    parts = [part for part in re.split(r"[,;\s]+", text.strip()) if part]
    if not parts:
        raise ValueError("no samples")
    return np.array([float(part) for part in parts])
