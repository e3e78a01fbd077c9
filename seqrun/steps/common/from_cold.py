"""What counts from a reading of a cold unit, where the unit may not have been cold."""

from __future__ import annotations

from seqrun.errors import NotMeasured
from seqrun.plan.context import Context

#: under which a run keeps why its cold readings are none
NOT_COLD = "why the cold readings are not of a cold unit"


def must_be_cold(ctx: Context, step_id: str) -> None:
    """See that what this run has read cold was cold.

    Raises:
        NotMeasured: it was not, or nobody knows.
    """
    why = ctx.kept(NOT_COLD)
    if isinstance(why, str):
        raise NotMeasured(why, expected="readings of a cold unit to count from", where=step_id)
