"""Sequence + unit + bench -> checked, ordered actions, or a refusal before anything is powered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from seqrun.errors import UsageError
from seqrun.files.fields import LimitSpec, StepFields
from seqrun.plan import leads, supply_checks
from seqrun.plan.contract import Step
from seqrun.plan.measurand import Measurand
from seqrun.plan.needs import Forecast, Hookup, Needs, Unforecast
from seqrun.plan.view import BenchView

if TYPE_CHECKING:
    from seqrun.files.sequence import Sequence as SequenceFile

HOOKUP_SECONDS = 20.0  # what a careful operator needs to move two clips


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

    @property
    def hookups(self) -> list[Hookup]:
        """The hookups that must be made, in order, leaving out those that are there already."""
        there = dict(self.view.fixed)
        made: list[Hookup] = []
        for action in self.actions:
            for hookup in action.needs.hookups:
                if any(there.get(terminal) != node for terminal, node in hookup.leads):
                    made.append(hookup)
                    there.update(hookup.leads)
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

    def seconds(self, start: int = 0, *, by_hand: bool = False) -> float:
        """Bench time of the actions from ``start`` on, s."""
        total = sum(action.needs.seconds for action in self.actions[start:])
        return total + (HOOKUP_SECONDS * len(self.hookups) if by_hand else 0.0)


def build(
    sequence: SequenceFile,
    view: BenchView,
    steps: Sequence[StepFields],
) -> Plan:
    """Check that this bench can do this sequence to this unit, safely.

    Args:
        steps: the sequence's steps, expanded over channels, devices and the rest.

    Raises:
        UsageError: what is missing or unsafe, all of it in one message.
    """
    actions: list[Action] = []
    problems: list[UsageError] = []
    for step in steps:
        try:
            actions.append(_action(step, view))
        except UsageError as error:
            error.where = f"{step.id}: {error.where}" if error.where else step.id
            problems.append(error)
    problems += leads.problems(view, actions)
    problems += supply_checks.problems(view, actions)
    for check in CHECKS:
        try:
            check(view, actions)
        except UsageError as error:
            problems.append(error)
    if problems:
        raise _together(problems)
    warnings = supply_checks.warnings(sequence, actions)
    return Plan(sequence, view, tuple(actions), tuple(warnings))


def _action(step: StepFields, view: BenchView) -> Action:
    if not isinstance(step, Step):
        raise TypeError(f"'{step.do}' is no kind of step that can be planned: {type(step)}")
    needs = step.needs(view)
    for role in sorted(needs.roles):
        view.key(role)
    forecasts = tuple((of, step.forecast(view, of)) for of in step.judges)
    return Action(step.id, step, needs, forecasts)


def _together(problems: list[UsageError]) -> UsageError:
    first = problems[0]
    seen: list[str] = []
    for p in problems:
        line = f"{p.where}: {p.found}" if p.where else p.found
        if line not in seen:
            seen.append(line)
    if len(seen) == 1:
        return first
    return UsageError(
        f"{len(seen)} things stand in the way:\n" + "\n".join(f"  - {line}" for line in seen),
        expected=first.expected,
        hint=first.hint,
    )


def _probes(view: BenchView, actions: list[Action]) -> None:
    """A step that looks at several places at once needs a probe for each of them."""
    scopes = {key for key, driver in view.drivers.items() if driver.role == "scope"}
    for action in actions:
        there: dict[str, str] = {}
        for hookup in action.needs.hookups:
            for terminal, node in hookup.leads:
                if terminal.partition(".")[0] not in scopes:
                    continue
                if there.setdefault(terminal, node) != node:
                    raise UsageError(
                        f"the probe {terminal} would have to be on {there[terminal]} and on {node} "
                        "at once",
                        expected="a scope with a probe for each place that the step looks at",
                        where=action.id,
                        hint="use a scope of more channels, or a bench file that leaves one free",
                    )


def _order(view: BenchView, actions: list[Action]) -> None:
    """Steps that read a powered unit come after the step that powers it and before power-down;
    those for a unit without power never between powering it and seeing it discharged."""
    powered = charged = False
    for action in actions:
        if action.needs.dead and charged:
            raise UsageError(
                f"'{action.id}' is for a unit without power, and this one is not discharged",
                expected='before it is powered, or after a step with do = "power_down"',
                where=action.id,
            )
        powers = action.needs.energises or action.needs.mains
        powered |= powers
        charged |= powers
        if action.needs.live and not powered:
            raise UsageError(
                f"'{action.id}' measures a powered unit, and nothing has powered it",
                expected='a step with do = "ramp_supply" before it',
                where=action.id,
            )
        if action.needs.safe or action.needs.switches_off:
            powered = False
        charged &= not action.needs.safe


#: what a plan must keep to; each raises a UsageError for what it finds
CHECKS: tuple[Callable[[BenchView, list[Action]], None], ...] = (
    _probes,
    _order,
)
