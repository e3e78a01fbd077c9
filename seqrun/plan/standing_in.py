"""What stands in for a reading that a unit gives no access to.

A step names in ``stands_in_for`` what it stands in for: the current of the whole stage from the
supply for that of each output device, the temperature of each case for the share that each device
takes. Where the unit does not let the first be read, a pass of the second is taken for it (our own
rule); without one the unit is held.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from seqrun.plan.contract import Step
from seqrun.values import Verdict


def stands_in(step: Step, step_id: str) -> bool:
    """Whether a step says that it stands in for the one of that id."""
    return any(step_id == name or step_id.startswith(f"{name}.") for name in step.stands_in_for)


def stand_ins(step_id: str, steps: Iterable[Step]) -> tuple[str, ...]:
    """Ids of the steps with a limit that stand in for the one of that id."""
    return tuple(s.id for s in steps if s.limit is not None and stands_in(s, step_id))


def verdicts_with_stand_ins(
    verdicts: Mapping[str, Sequence[Verdict]], stood_in: Mapping[str, Sequence[str]]
) -> dict[str, Sequence[Verdict]]:
    """Verdicts by step; a step that the unit gives no access to has those of its stand-ins.

    Args:
        stood_in: steps that the unit gives no access to, each with those that stand in for it.
    """
    found = dict(verdicts)
    for step_id, instead in stood_in.items():
        if instead:
            found[step_id] = [v for other in instead for v in verdicts.get(other, ())]
    return found
