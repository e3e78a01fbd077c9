"""What a plan is: the actions of a run, in order, with the hookups that they need."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from seqrun.files.sequence.fields import LimitSpec
from seqrun.plan.contract import Step
from seqrun.plan.leaving_out import LeftOut
from seqrun.plan.measurand import Measurand
from seqrun.plan.needs import Forecast, Hookup, Needs, Unforecast
from seqrun.plan.standing_in import stand_ins
from seqrun.plan.view import BenchView

if TYPE_CHECKING:
    from seqrun.files.sequence.file import Sequence as SequenceFile

#: s that a person takes to find a point and put a lead there, or to turn a knob (our own figure)
OPERATOR_S = 10.0
#: states of ``only_if`` that make a step one for the bad case only
AFTER_A_FAIL = ("failed", "not measured")


@dataclass(frozen=True, slots=True)
class Action:
    """One step, expanded and costed; ``forecasts`` holds one for each quantity that it judges."""

    id: str
    step: Step
    needs: Needs
    forecasts: tuple[tuple[Measurand, Forecast | Unforecast], ...] = ()

    @property
    def limit(self) -> LimitSpec | None:
        return self.step.limit


@dataclass(frozen=True)
class Plan:
    """What a run will do."""

    sequence: SequenceFile
    view: BenchView
    actions: tuple[Action, ...]
    warnings: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    hand_s: float = OPERATOR_S

    @property
    def hookups(self) -> list[Hookup]:
        """The hookups that must be made, in order, leaving out those that are there already."""
        return [hookup for hookup, _ in self.hookups_for]

    @property
    def hookups_for(self) -> list[tuple[Hookup, list[Action]]]:
        """The same, each with the actions that read or drive there before a lead of it moves."""
        there = dict(self.view.fixed)
        made: list[tuple[Hookup, list[Action]]] = []
        for action in self.actions:
            for hookup in action.needs.hookups:
                if any(there.get(terminal) != node for terminal, node in hookup.leads):
                    made.append((hookup, [action]))
                    there.update(hookup.leads)
                else:
                    _last_of(made, hookup, action)
        return made

    @property
    def moving(self) -> dict[str, list[str]]:
        """Terminals that must be on more than one node in the course of the plan, and where."""
        places: dict[str, list[str]] = {t: [node] for t, node in self.view.fixed.items()}
        for action in self.actions:
            for hookup in action.needs.hookups:
                for terminal, node in hookup.leads:
                    where = places.setdefault(terminal, [])
                    if node not in where:
                        where.append(node)
        return {terminal: nodes for terminal, nodes in places.items() if len(nodes) > 1}

    @property
    def standing(self) -> dict[str, str]:
        """Leads that stay on one node for the whole plan: terminal -> node."""
        places: dict[str, str] = dict(self.view.fixed)
        for action in self.actions:
            for hookup in action.needs.hookups:
                for terminal, node in hookup.leads:
                    places.setdefault(terminal, node)
        return {terminal: node for terminal, node in places.items() if terminal not in self.moving}

    @property
    def stood_in(self) -> dict[str, tuple[str, ...]]:
        """Steps with a limit that the unit gives no access to, each with the steps of this plan
        that stand in for it."""
        there = [action.step for action in self.actions]
        return {
            out.id: stand_ins(out.id, there)
            for out in self.left_out
            if out.of_unit and out.step.limit is not None
        }

    @property
    def shown_no_access(self) -> tuple[str, ...]:
        """Steps without a limit that the unit gives no access to: nothing would be judged there."""
        return tuple(o.id for o in self.left_out if o.of_unit and o.step.limit is None)

    @cached_property
    def acts(self) -> tuple[int, ...]:
        """For each action what hands do for it: leads that move where no switch moves them, and
        whatever else."""
        there = dict(self.view.fixed)
        found: list[int] = []
        for action in self.actions:
            moved = 0
            for hookup in action.needs.hookups:
                for terminal, node in hookup.leads:
                    moved += there.get(terminal) != node
                    there[terminal] = node
            found.append(action.needs.acts + (0 if self.view.has("switch") else moved))
        return tuple(found)

    def seconds(self, start: int = 0) -> float:
        """Bench time of the actions from ``start`` on, that of hands with it, s: what is done
        only after a failed step, as with a good unit, does not count."""
        left = list(zip(self.actions, self.acts, strict=True))[start:]
        return math.fsum(
            action.needs.seconds + self.hand_s * acts
            for action, acts in left
            if not any(condition.state in AFTER_A_FAIL for condition in action.step.only_if)
        )


def _last_of(made: list[tuple[Hookup, list[Action]]], hookup: Hookup, action: Action) -> None:
    """Count an action among those that use leads which an earlier one had put there."""
    for earlier, users in reversed(made):
        if earlier.terminals & hookup.terminals:
            if action not in users:
                users.append(action)
            return
