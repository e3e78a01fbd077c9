"""What this bench cannot do is left out, and said before anything is energised.

A step that the bench cannot do is left out with its reason, and with it the steps that lean on it.
What protects is never left out silently: without the supply's protection, or without a way to see
the unit discharged, nothing is powered, and every step that needs a powered unit goes with it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from seqrun.errors import BenchLacks, TooFewProbes, UnitLacks, UsageError
from seqrun.files.sequence.fields import StepFields
from seqrun.files.unit.sheet import Unit
from seqrun.plan.contract import Step
from seqrun.plan.needs import Needs
from seqrun.plan.standing_in import stand_ins
from seqrun.plan.supply_checks import LISTENING_W, OFF_W


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A step that is not done, and why. ``error`` is what stood in the way of this very step;
    None when it only leans on another that is left out. ``of_unit``: because of what the unit
    gives no access to, and no other bench could do it."""

    step: Step
    reason: str
    error: BenchLacks | None = None
    of_unit: bool = False

    @property
    def id(self) -> str:
        return self.step.id


class Chooser:
    """Goes through the steps in order and sorts out what is left out.

    Args:
        planned: what a step needs of this bench.
            Raises BenchLacks when the bench cannot do it, UsageError when the step does not fit
            the unit.
    """

    def __init__(self, planned: Callable[[Step], Needs]) -> None:
        self._planned = planned
        self.done: list[tuple[Step, Needs]] = []
        self.left_out: list[LeftOut] = []
        self._all: list[Step] = []
        self.wrong: list[UsageError] = []  # steps that do not fit the unit
        self._unprotected = self._unpowered = self._ended = ""
        self._unsafe = ""
        self._powered = False
        self._off: frozenset[str] = frozenset()  # channels whose loads are off the outputs
        self._stood_in: set[str] = set()  # left out because of the unit, and stood in for
        self._unmeasured: dict[str, str] = {}  # channel -> why its load was not measured

    def go(self, steps: Iterable[StepFields]) -> None:
        """Sort the steps."""
        self._all = [_step(one) for one in steps]
        todo: list[tuple[Step, Needs | None, BenchLacks | None]] = []
        for step in self._all:
            try:
                todo.append((step, *self._needs(step)))
            except UsageError as problem:
                if problem.where != step.id:
                    problem.where = f"{step.id}: {problem.where}" if problem.where else step.id
                self.wrong.append(problem)
        for _, needs, error in todo:
            if error is not None and needs is not None and needs.safe:
                self._unsafe = self._unsafe or error.found
        for step, needs, error in todo:
            self._one(step, needs, error)

    def _needs(self, step: Step) -> tuple[Needs | None, BenchLacks | None]:
        """What it needs as far as it can say, and why this bench cannot do it."""
        try:
            return self._planned(step), None
        except NotOnThisBench as problem:
            return problem.needs, problem.error
        except BenchLacks as problem:
            return None, problem

    def _one(self, step: Step, needs: Needs | None, error: BenchLacks | None) -> None:
        reason = "" if error is None else error.found
        if not reason and needs is not None:
            reason = self._for_want(step, needs)
        if not reason:
            assert needs is not None
            self.done.append((step, needs))
            self._off = (self._off | needs.loads_off) - needs.loads_on
            self._powered |= needs.energises or needs.mains
            return
        of_unit = isinstance(error, UnitLacks) or (error is None and self._leans_on_the_unit(step))
        self.left_out.append(LeftOut(step, reason, error, of_unit))
        if of_unit and stand_ins(step.id, self._all):
            self._stood_in.add(step.id)
        if step.stop_if_not_measured and not self._ended:
            self._ended = f"'{step.id}' is needed before it and is left out: {reason}"
        if needs is None:
            return
        if needs.protects:
            self._unprotected = reason
        if needs.energises or needs.mains:
            self._unpowered = reason
        for channel in needs.loads_measured:
            self._unmeasured[channel] = reason

    def _for_want(self, step: Step, needs: Needs) -> str:
        """Why a step that the bench could do is left out all the same; "" when it is not."""
        if needs.safe:
            return "" if self._powered or not self._unpowered else _nothing(self._unpowered)
        if self._ended:
            return self._ended
        if needs.energises and self._unprotected:
            return f"the supply's own protection cannot be set: {self._unprotected}"
        if (needs.energises or needs.mains) and self._unsafe:
            return f"the unit could not be seen to be discharged afterwards: {self._unsafe}"
        if needs.live and not self._powered and self._unpowered:
            return _nothing(self._unpowered)
        for channel, watts in needs.load_power_w.items():
            most = OFF_W if channel in self._off else LISTENING_W
            if watts > most and channel in self._unmeasured:
                return f"its load is not measured: {self._unmeasured[channel]}"
        return self._leaning(step, [out.id for out in self.left_out])

    def _leans_on_the_unit(self, step: Step) -> bool:
        """Whether it leans on steps that are left out because of the unit, and on no other."""
        if not self._leaning(step, [out.id for out in self.left_out if out.of_unit]):
            return False
        return not self._leaning(step, [out.id for out in self.left_out if not out.of_unit])

    def _leaning(self, step: Step, ids: Sequence[str]) -> str:
        """On which step of those that are left out this one leans."""
        for _, name in step.texts(type(step).id_fields):
            for i in ids:
                if i == name or i.startswith(f"{name}."):
                    return f"it needs '{i}', which is left out"
        for _, expression in step.expressions():
            for name in expression.names():
                for i in ids:
                    if name == i or name.startswith(f"{i}."):
                        return f"it needs '{i}', which is left out"
        for condition in step.only_if:
            if condition.state == "not measured":
                continue
            for found in condition.matches(ids):
                if found not in self._stood_in:
                    return f"it waits for '{found}', which is left out"
        return ""


def in_turn(unit: Unit, left_out: Sequence[LeftOut]) -> Iterator[str]:
    """That a unit of many channels is tested a few of them at a time, where the scope has too few
    probes for all its outputs at once."""
    short = [out for out in left_out if isinstance(out.error, TooFewProbes)]
    if len(unit.channels) > 2 and any(not out.step.channel for out in short):
        yield (
            f"{len(unit.channels)} channels are more outputs than the scope has probes: what "
            "looks at all of them at once is left out. A copy of the unit sheet that names two of "
            "them in 'channels', and its supply_idle as the whole unit draws it, tests those two, "
            "the next copy the next; power with all channels driven is then not shown"
        )


class NotOnThisBench(Exception):
    """A step whose needs are known and that this bench cannot do. It stays within the plan."""

    def __init__(self, needs: Needs | None, error: BenchLacks) -> None:
        super().__init__(error.found)
        self.needs, self.error = needs, error


def _step(step: StepFields) -> Step:
    if not isinstance(step, Step):
        raise TypeError(f"'{step.do}' is no kind of step that can be planned: {type(step)}")
    return step


def _nothing(reason: str) -> str:
    return f"nothing powers the unit: {reason}"


def without_the_unit(step: Step, unit: Unit) -> UnitLacks | None:
    """That a limit or a setting of a step goes by a figure that the unit's sheet does not tell."""
    for key, expression in step.expressions():
        for name in sorted(expression.names() & unit.withheld.keys()):
            return UnitLacks(
                unit.withheld[name],
                expected=f"a figure for '{name}' in the unit sheet",
                where=f"{unit.model}, {key} of the step",
            )
    return None


def lines(left_out: Sequence[LeftOut]) -> list[str]:
    """What is left out and why, for people: one line for each reason."""
    by_reason: dict[str, list[str]] = {}
    for out in left_out:
        by_reason.setdefault(out.reason, []).append(out.id)
    return [f"left out: {', '.join(ids)}: {reason}" for reason, ids in by_reason.items()]
