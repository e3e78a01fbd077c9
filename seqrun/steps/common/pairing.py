"""Readings of the same places at two times, put together by place."""

from __future__ import annotations

from collections.abc import Sequence

from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.values import Reading

Read = tuple[Reading, UFloat]


def pairs(after: Sequence[Read], before: Sequence[Read]) -> list[tuple[Reading, UFloat, UFloat]]:
    """Each later reading with the earlier one of its channel, in the order of the earlier ones:
    leads go round the other way the second time, to save a move.

    Raises:
        NotMeasured: the two are not of the same places.
    """
    later = {reading.channel: (reading, value) for reading, value in after}
    places = [reading.channel for reading, _ in before]
    if len(after) != len(before) or later.keys() != set(places):
        told = ", ".join(sorted(later.keys() ^ set(places))) or "one place read twice"
        raise NotMeasured(
            f"the two sets of readings are not of the same places: {told}",
            expected="each place read once in both",
        )
    return [(*later[reading.channel], value) for reading, value in before]
