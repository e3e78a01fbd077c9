"""Sequence + unit + bench -> checked, ordered actions, or a refusal before anything is powered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from seqrun.errors import BenchLacks, RoleMissing, SeqrunError, UsageError
from seqrun.files.sequence.fields import StepFields
from seqrun.plan import by_hand, capability, leads, sound, supply_checks, tones
from seqrun.plan.actions import Action, Plan
from seqrun.plan.contract import Step
from seqrun.plan.leaving_out import (
    Chooser,
    LeftOut,
    NotOnThisBench,
    in_turn,
    lines,
    without_the_unit,
)
from seqrun.plan.measurand import Measurand
from seqrun.plan.moves import in_fewest_moves
from seqrun.plan.needs import Forecast, Needs, Unforecast
from seqrun.plan.view import BenchView

if TYPE_CHECKING:
    from seqrun.files.sequence.file import Sequence as SequenceFile

SO_MANY = 5  # steps that a line names, before it counts them


def build(
    sequence: SequenceFile,
    view: BenchView,
    steps: Sequence[StepFields],
    *,
    only_complete: bool = False,
) -> Plan:
    """Check what this bench can do of this sequence to this unit, and that it is safe.

    Args:
        steps: the sequence's steps, expanded over channels, devices and the rest.
        only_complete: refuse instead of leaving out what the bench cannot do.

    Raises:
        UsageError: what is unsafe (or, with ``only_complete``, missing), all in one message; or
            that nothing is left to do.
    """
    actions, left_out, problems = _chosen(view, steps)
    whole = not problems
    if only_complete:
        problems += [_at(out.step.id, out.error) for out in left_out if out.error is not None]
    problems += leads.problems(view, actions)
    problems += supply_checks.problems(view, actions, whole=whole)
    for check in CHECKS:
        try:
            check(view, actions)
        except UsageError as error:
            problems.append(error)
    if problems:
        raise together(problems)
    if left_out and not any(action.limit is not None for action in actions):
        if not any(isinstance(out.error, RoleMissing) for out in left_out):
            raise _nothing_left(view, left_out)
        # A hold that says what is missing; nothing is switched on for a run that judges nothing.
        left_out += [LeftOut(action.step, NOTHING_JUDGED) for action in actions]
        actions = []
    warnings = [*supply_checks.warnings(sequence, view, actions)]
    warnings += by_hand.warnings(view, sequence.trip)
    warnings += in_turn(view.unit, left_out)
    warnings += tones.warnings(view, actions)
    warnings += tones.crossed(view, actions)
    asked = [*(action.step for action in actions), *(out.step for out in left_out)]
    warnings += sound.warnings(view, {step.kind for step in asked})
    return Plan(sequence, view, tuple(actions), tuple(warnings), tuple(left_out))


NOTHING_JUDGED = "no step with a limit can be done, and without one nothing is powered"


def _chosen(
    view: BenchView, steps: Sequence[StepFields]
) -> tuple[list[Action], list[LeftOut], list[UsageError]]:
    """The actions that this bench can do, the steps that are left out, and what is wrong with those
    that do not fit the unit."""
    forecasts: dict[str, tuple[tuple[Measurand, Forecast | Unforecast], ...]] = {}
    others = {step.id: step for step in steps if isinstance(step, Step)}

    def planned(step: Step) -> Needs:
        if (withheld := without_the_unit(step, view.unit)) is not None:
            raise NotOnThisBench(_as_far_as_it_can(step, view), withheld)
        try:
            needs = step.needs(view)
        except (ValueError, ArithmeticError) as impossible:
            raise _no_sense(step, impossible) from None
        try:
            capability.check(view, needs)
            step.leans_on(view, others)
            forecasts[step.id] = tuple((of, step.forecast(view, of)) for of in step.judges)
        except BenchLacks as error:
            raise NotOnThisBench(needs, error) from None
        except KeyError as unknown:
            silent = BenchLacks(
                f"no driver of this bench states an accuracy for {unknown}",
                expected="an [[accuracy]] entry with that function",
                where=view.bench.name,
            )
            raise NotOnThisBench(needs, silent) from None
        except (ValueError, ArithmeticError) as impossible:
            raise _no_sense(step, impossible) from None
        return needs

    chooser = Chooser(planned)
    chooser.go(steps)
    actions = [Action(step.id, step, needs, forecasts[step.id]) for step, needs in chooser.done]
    return in_fewest_moves(view, actions), chooser.left_out, chooser.wrong


def _no_sense(step: Step, why: Exception) -> UsageError:
    """Figures of an entry that no arithmetic can be done with: a power below zero, say."""
    figures = ", ".join(f'{key} = "{expression}"' for key, expression in step.expressions())
    return UsageError(
        f"'{step.do}' cannot be worked out with its figures: {figures or why}",
        expected="powers, times and levels above zero and within reason",
    )


def _as_far_as_it_can(step: Step, view: BenchView) -> Needs | None:
    """What a step needs, where it can say that without the figure that it lacks."""
    try:
        return step.needs(view)
    except SeqrunError:
        return None


def _at(step_id: str, error: UsageError) -> UsageError:
    error.where = f"{step_id}: {error.where}" if error.where else step_id
    return error


def _nothing_left(view: BenchView, left_out: Sequence[LeftOut]) -> UsageError:
    first = next((out.error for out in left_out if out.error is not None), None)
    reasons = "\n".join(f"  - {line}" for line in lines(left_out))
    return UsageError(
        f"this bench can do none of the sequence's steps that have a limit:\n{reasons}",
        expected=first.expected if first else None,
        where=view.bench.name,
        hint=first.hint if first else None,
    )


def together(problems: Sequence[UsageError]) -> UsageError:
    """All of them as one; what several steps have in common is one line that names them."""
    first = problems[0]
    at: dict[str, list[str]] = {}
    for p in problems:
        where = at.setdefault(p.found, [])
        if p.where and p.where not in where:
            where.append(p.where)
    if len(at) == 1:
        places = _listed(at[first.found])
        return UsageError(first.found, expected=first.expected, where=places, hint=first.hint)
    lines = (f"{_listed(where)}: {found}" if where else found for found, where in at.items())
    return UsageError(
        f"{len(at)} things stand in the way:\n" + "\n".join(f"  - {line}" for line in lines),
        expected=first.expected,
        hint=first.hint,
    )


def _listed(where: Sequence[str]) -> str | None:
    """Names of steps, as far as a line takes them."""
    more = f" and {len(where) - SO_MANY} more" if len(where) > SO_MANY else ""
    return ", ".join(where[:SO_MANY]) + more if where else None


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
        powered |= action.needs.mains
        if action.needs.live and not powered:
            raise UsageError(
                f"'{action.id}' measures a powered unit, and nothing has powered it",
                expected='a step with do = "ramp_supply" before it',
                where=action.id,
            )
        powered |= action.needs.energises
        charged |= powered
        if action.needs.safe or action.needs.switches_off:
            powered = False
        charged &= not action.needs.safe


#: what a plan must keep to; each raises a UsageError for what it finds
CHECKS: tuple[Callable[[BenchView, list[Action]], None], ...] = (_order,)
