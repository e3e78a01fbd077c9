"""Reading again: at the operator's word, or where a reading looks like a lead on a wrong place.

The rows that were read first stay on record, and a row after them says that they no longer count. A
limit is not to be met by reading until it is: where a reading that was no pass is read again on a
powered unit, the run accepts no more.
"""

from __future__ import annotations

from collections.abc import Sequence

from seqrun.plan.actions import Action
from seqrun.plan.contract import READ_AGAIN, Yielded
from seqrun.quantity import render
from seqrun.values import Judged, Reading, Verdict

#: a step that takes longer than this is not done again on a key
LONGEST_S = 300.0
AT_WORD = "read again at the operator's word"
WRONG_CLIP = "it read like a lead on a wrong place, and was read again"
_OPEN = (Verdict.FAIL, Verdict.CONDITIONAL_FAIL, Verdict.CONDITIONAL_PASS)


class ReadAgain(Exception):
    """Hands want what was read last to be read again; ``why`` goes on record."""

    def __init__(self, why: str = AT_WORD) -> None:
        super().__init__(why)
        self.why = why


def repeatable(action: Action, *, charged: bool, up: bool) -> bool:
    """Whether a step only reads, so that it can be done once more as the unit is now.

    Args:
        charged: the unit is powered, or was not seen to be discharged since.
        up: the rails are up.
    """
    needs = action.needs
    acts = needs.energises or needs.mains or needs.switches_off or needs.safe or needs.protects
    if acts or not action.step.yields or needs.seconds > LONGEST_S:
        return False
    return not (needs.dead and charged) and (up or not needs.live)


def marker(why: str, aside: Sequence[Judged]) -> Yielded:
    """The row that sets readings of its step aside, with what they were."""
    told = "; ".join(_told(one) for one in aside) or "nothing yet"
    return Yielded(
        Reading(READ_AGAIN.name, "", float(len(aside)), note=f"{why}; it had read: {told}"),
        None,
        False,
    )


def _told(one: Judged) -> str:
    where = f"{one.channel} " if one.channel else ""
    if one.value is None:
        return f"{where}nothing ({one.note})"
    verdict = f" ({one.verdict.value})" if one.verdict is not Verdict.NONE else ""
    return f"{where}{render(one.value, one.unit, digits=4)}{verdict}"


def against(step_id: str, aside: Sequence[Judged]) -> str:
    """What stands against an accept when these are set aside on a powered unit, or nothing."""
    if not any(one.verdict in _OPEN for one in aside):
        return ""
    return (
        f"{step_id} was read again after a reading that was no pass: a fault that comes and goes "
        "is not ruled out; do the whole sequence again"
    )
