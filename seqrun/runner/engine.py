"""Does the actions of a plan, one after another, and leaves a record.

It resolves limits, has each step done with what :class:`~seqrun.runner.lent.Lent` lends to it,
judges its readings and writes them down as they happen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from uncertainties import UFloat

from seqrun.errors import (
    FileError,
    InstrumentError,
    InstrumentSilent,
    NotMeasured,
    SeqrunError,
    UsageError,
    WrongInstrument,
)
from seqrun.files.sequence.fields import LimitSpec
from seqrun.files.sequence.leaning import Leaning, leaning
from seqrun.judge import Apart, decide
from seqrun.plan.build import Action, Plan
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.leaving_out import lines
from seqrun.plan.standing_in import verdicts_with_stand_ins
from seqrun.record import RunRecord
from seqrun.record.table import LOCK_TIMEOUT_S, Patience
from seqrun.runner.events import Watcher
from seqrun.runner.hands import Hands
from seqrun.runner.lent import Lent
from seqrun.runner.opening import OpenBench
from seqrun.runner.reading_by_hand import marked
from seqrun.values import Bound, Judged, Limit, Verdict

#: how long a run with power on waits for another program that has the record locked
LOCKED_S = 2.0

#: states of ``only_if`` that make a step one for the bad case only
NOT_NEEDED = ("failed", "not measured")


def _decided(judged: Iterable[Judged]) -> bool:
    """Whether a limit was held against something, or something is on record as not measured."""
    return any(j.limit is not None or j.verdict is Verdict.NOT_MEASURED for j in judged)


class Engine(Lent):
    """One run of a plan on an opened bench."""

    def __init__(
        self,
        plan: Plan,
        opened: OpenBench,
        hands: Hands,
        record: RunRecord,
        watcher: Watcher,
        check_interrupt: Callable[[], None],
    ) -> None:
        super().__init__(plan.view, opened, hands, record, watcher, check_interrupt)
        self.plan = plan
        self.simulated = opened.simulated
        self.judged: list[Judged] = []
        self.stopped_at = ""
        self.reached: set[str] = set()
        self.skipped: list[str] = []
        self._leaning: Leaning | None = None  # the limit, where it leans on earlier readings
        self._verdicts: dict[str, list[Verdict]] = {}

    def do_all(self) -> None:
        """Do every action; a failed step that says so ends the measuring, not the power-down.

        What this bench cannot do, or this unit gives no access to, comes first, as not measured.
        """
        for line in lines(self.plan.left_out):
            self.say(line)
        for out in self.plan.left_out:
            self._earlier.lost(out.id, out.reason)
            if out.step.quantities:
                for missing in out.step.nothing(out.reason):
                    self._judge(out.id, missing)
        for index, action in enumerate(self.plan.actions):
            if self.stopped_at and not action.needs.safe:
                continue
            self._check_interrupt()
            verdicts = verdicts_with_stand_ins(self._verdicts, self.plan.stood_in)
            unmet = [c for c in action.step.only_if if not c.holds(verdicts)]
            if unmet:
                # A step for when something failed is not needed when nothing did. One that waits
                # for a pass that never came is missing: without it no unit is accepted.
                if any(condition.state in NOT_NEEDED for condition in unmet):
                    self.skipped.append(action.id)
                continue
            self.watcher.step_started(index, action.id, action.step.kind, self.plan.seconds(index))
            self._tell_bench()
            begun = len(self.judged)
            self._do(action)
            self._done[action.id] = self.now()
            self.reached.add(action.id)
            if action.limit is not None and not _decided(self.judged[begun:]):
                self._not_measured(action, "the step made no reading that its limit is about")
            new = self.judged[begun:]
            self.watcher.step_ended(action.id, new, self.elapsed)
            if {j.verdict for j in new} & _ending(action.step):
                self.stopped_at = action.id

    def _do(self, action: Action) -> None:
        step = action.step
        if action.needs.energises:
            self.live = self._charged = True
        try:
            if action.needs.dead and self._charged:
                raise NotMeasured("the unit was not seen to be discharged", where=action.id)
            if action.needs.live and not self.seen_up:
                raise NotMeasured("the rails were not seen to come up", where=action.id)
            self.limit = self._resolved(action.limit, step.unit) if action.limit else None
            self._put_back_probes(action.needs.hookups)
            self.connect(*action.needs.hookups)
            self._limiting.begin()
            self._measures = action.needs.live
            for made in step.perform(self):
                item = self._unless_limited(made)
                if item.judged and item.value is not None:
                    self._earlier.add(action.id, item.reading, item.value)
                self._judge(action.id, item)
            if action.needs.safe:
                self._charged = False
            if action.needs.energises:
                self._limiting.came_up(self.supply)
            self.seen_up |= action.needs.energises or action.needs.mains
        except NotMeasured as reason:
            self._not_measured(action, str(reason.found))
        except (UsageError, InstrumentError) as trouble:
            if not self._only_reads(trouble):
                raise
            self._not_measured(action, str(trouble.found))
        finally:
            self._measures = False
            self.limit = self._leaning = None
            self._observed.clear()
        if action.needs.energises:
            self.powered_at = self.now()

    def _only_reads(self, trouble: SeqrunError) -> bool:
        """Whether what went wrong is that a meter or scope could not do what the step asks: the
        step is not measured then, and a powered run goes on. One that is lost ends it."""
        if isinstance(trouble, InstrumentSilent | WrongInstrument):
            return False
        if isinstance(trouble, UsageError):
            return True
        driver = self.view.drivers.get((trouble.where or "").partition(" ")[0])
        return driver is not None and driver.role in ("meter", "scope")

    def _unless_limited(self, made: Yielded) -> Yielded:
        """What a step has read; not measured, when the bench supply held a rail by its limit."""
        watched = self._measures and self.live and self._watches_supply
        if not watched or made.reading.value is None:
            return made
        self._limiting.look(self.supply)
        wrong = self._limiting.told or self._limiting.fell(self.supply)
        if not wrong:
            return made
        lost = replace(made.reading, value=None, budget=(), bound=Bound.EXACT, note=wrong)
        return Yielded(lost, None, made.judged)

    def _resolved(self, spec: LimitSpec, unit: str) -> Limit:
        readings = self._readings_in(spec.names())
        if not readings:
            return spec.resolve(unit, self.names())
        try:
            self._leaning = leaning(spec, unit, self.names(), readings)
        except FileError as problem:  # the file is right, but these readings make no limit
            raise NotMeasured(f"the limit has no value: {problem.found}") from None
        return self._leaning.limit

    def _apart(self, value: UFloat | None) -> Apart | None:
        """Uncertainty of reading less limit; what both have in common drops out (JCGM 100, 5.2)."""
        if self._leaning is None or value is None:
            return None
        sides = (self._leaning.low, self._leaning.high)
        return Apart(*(0.0 if side is None else float((value - side).std_dev) for side in sides))

    def _not_measured(self, action: Action, reason: str) -> None:
        self._earlier.lost(action.id, reason)
        for missing in action.step.nothing(reason):
            self._judge(action.id, missing)

    def _judge(self, step_id: str, item: Yielded) -> None:
        reading = marked(item.reading, self.view.bench)
        if reading.value is None:
            self._earlier.lost(step_id, reading.note)
        judged = decide(
            reading,
            self.limit if item.judged else None,
            self.plan.sequence.decision,
            step=step_id,
            apart=self._apart(item.value),
        )
        self.judged.append(judged)
        self._verdicts.setdefault(step_id, []).append(judged.verdict)
        # With power on, nothing waits for another program's lock for long.
        patience = Patience(LOCKED_S if self._charged else LOCK_TIMEOUT_S, self._meanwhile)
        self.record.reading(judged, simulated=self.simulated, patience=patience)

    def _meanwhile(self) -> None:
        """What is looked at while the record is locked: interrupts and trips."""
        self._check_interrupt()
        if self.live and self.now() >= self._next_look:
            self._look(self._time)

    @property
    def unreached(self) -> list[str]:
        """Ids of limited steps that were never judged."""
        return [
            action.id
            for action in self.plan.actions
            if action.limit is not None
            and action.id not in self.reached
            and action.id not in self.skipped
        ]


def _ending(step: Step) -> set[Verdict]:
    """The verdicts of a step that end the measuring."""
    found = {Verdict.FAIL} if step.stop_if_failed else set[Verdict]()
    return found | {Verdict.NOT_MEASURED} if step.stop_if_not_measured else found
