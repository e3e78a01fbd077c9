"""The order of what one entry is done to: first where the leads are already."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from seqrun.plan.actions import Action
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView


def in_fewest_moves(view: BenchView, actions: Sequence[Action]) -> list[Action]:
    """The actions, where an entry is done to one channel (device, rail) after another beginning
    with the one that the leads are on: what is done first there needs no move.

    Nothing else changes its place: an author's order has its reasons.
    """
    there = dict(view.fixed)
    found: list[Action] = []
    for _, group in groupby(actions, key=_entry):
        left = list(group)
        at = next((n for n, one in enumerate(left) if _ready(there, one)), 0)
        for action in (left[at], *left[:at], *left[at + 1 :]):
            for hookup in action.needs.hookups:
                there |= dict(hookup.leads)
            found.append(action)
    return found


def _entry(action: Action) -> tuple[str, ...]:
    """What the expansions of one entry have in common; an action that is none stands alone."""
    step = action.step
    if not step.each:
        return (action.id,)
    return (step.kind, str(step.each), action.id.partition(".")[0])


def _ready(there: dict[str, str], action: Action) -> bool:
    """Whether all its leads are where it wants them; never where it wants none."""
    wanted: tuple[Hookup, ...] = action.needs.hookups
    leads = [lead for hookup in wanted for lead in hookup.leads]
    return bool(leads) and all(there.get(terminal) == node for terminal, node in leads)
