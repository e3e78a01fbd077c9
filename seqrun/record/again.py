"""Readings that were read again: the rows they replace stay in the table, and no longer count.

A row of the quantity :data:`READ_AGAIN` says so: of its step, what stands before it in the table
was set aside, and its note tells why and what that was.
"""

from __future__ import annotations

from collections.abc import Iterable

from seqrun.values import Judged

READ_AGAIN = "read_again"
#: how the note of a reading begins that a resumed run took over; the run that made it follows
KEPT = "kept from "


def counted(judged: Iterable[Judged]) -> list[Judged]:
    """The readings of one run without those that were read again, in their order.

    Args:
        judged: as they stand in the table.
    """
    found: list[Judged] = []
    for one in judged:
        if one.quantity == READ_AGAIN:
            found = [j for j in found if j.step != one.step or j.quantity == READ_AGAIN]
        found.append(one)
    return found
