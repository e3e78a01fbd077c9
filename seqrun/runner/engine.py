"""Does the actions of a plan, one after another, and leaves a record.

It resolves limits, has each step done with what :class:`~seqrun.runner.lent.Lent` lends to it,
judges its readings and writes them down as they happen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

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
from seqrun.plan.actions import AFTER_A_FAIL, Action, Plan
from seqrun.plan.contract import READ_AGAIN, Step, Yielded
from seqrun.plan.leaving_out import lines
from seqrun.plan.standing_in import verdicts_with_stand_ins
from seqrun.quantity import render
from seqrun.record.table import LOCK_TIMEOUT_S, Patience
from seqrun.runner.again import WRONG_CLIP, ReadAgain, against, marker, repeatable
from seqrun.runner.cooled import Last, counts_from_cold, is_first_power, look, nothing_on_record
from seqrun.runner.events import Watcher
from seqrun.runner.hands import Hands
from seqrun.runner.keeper import Keeper
from seqrun.runner.lent import Lent
from seqrun.runner.opening import OpenBench
from seqrun.runner.reading_by_hand import marked
from seqrun.runner.resuming import Resumption
from seqrun.runner.second_look import CUT_OFF, Held, doubtful, lost, why_not
from seqrun.values import Judged, Limit, Verdict

#: how long a run with power on waits for another program that has the record locked
LOCKED_S = 2.0


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
        record: Keeper,
        watcher: Watcher,
        check_interrupt: Callable[[], None],
        resumed: Resumption | None = None,
        last_power: Last = nothing_on_record,
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
        self._index = self._begun = 0  # of the present action, and the readings before it
        self._last_read: int | None = None  # the action before it, when that one has read something
        self.resumed = resumed
        self._last_power = last_power
        self._felt = False  # whether the metal is cold was looked at

    def do_all(self) -> None:
        """Do every action; a failed step that says so ends the measuring, not the power-down.

        What this bench cannot do, or this unit gives no access to, comes first, as not measured.
        """
        for line in self.resumed.lines() if self.resumed is not None else ():
            self.say(line)
        for line in lines(self.plan.left_out):
            self.say(line)
        for out in self.plan.left_out:
            self._earlier.lost(out.id, out.reason)
            if out.step.quantities:
                for missing in out.step.nothing(out.reason):
                    self._judge(out.id, missing)
        index = 0
        while index < len(self.plan.actions):
            index = self._one(index)

    def _one(self, index: int) -> int:
        """Do an action where it applies; the index of the next one."""
        action = self.plan.actions[index]
        if self.stopped_at and not action.needs.safe:
            return index + 1
        self._check_interrupt()
        verdicts = verdicts_with_stand_ins(self._verdicts, self.plan.stood_in)
        unmet = [c for c in action.step.only_if if not c.holds(verdicts)]
        if unmet:
            # A step for when something failed is not needed when nothing did. One that waits
            # for a pass that never came is missing: without it no unit is accepted.
            if any(condition.state in AFTER_A_FAIL for condition in unmet):
                self.skipped.append(action.id)
            return index + 1
        self.watcher.step_started(index, action.id, action.step.kind, self.plan.seconds(index))
        self._tell_bench()
        self._index, self._begun, self._moved = index, len(self.judged), False
        if self.resumed is not None and (rows := self.resumed.rows(action.id)):
            return self._keep_rows(action, rows)
        try:
            self._feel(action)
            self._do(action)
        except ReadAgain as wish:
            again = self._to_read_again()
            if again is None:
                raise AssertionError("nothing to read again") from wish
            self._set_aside(self.plan.actions[again], wish.why)
            return again
        self._done[action.id] = self.now()
        self.reached.add(action.id)
        if action.limit is not None and not _decided(self.judged[self._begun :]):
            self._not_measured(action, "the step made no reading that its limit applies to")
        new = self.judged[self._begun :]
        self.watcher.step_ended(action.id, new, self.elapsed)
        if {j.verdict for j in new} & _ending(action.step):
            self.stopped_at = action.id
        self._last_read = index if new else None
        if self.resumed is not None:
            self.resumed.compare(action.id, new)
        return index + 1

    def _feel(self, action: Action) -> None:
        """Before first power: see whether the metal is cold, where something counts from it."""
        if self._felt or not is_first_power(action):
            return
        if counts_from_cold(self.plan, self.resumed):
            look(self, self.resumed, self._last_power)
        self._felt = True

    def _keep_rows(self, action: Action, rows: list[Judged]) -> int:
        """Put on record what the run that is resumed has read; the index of the next action."""
        if self.resumed is None:
            raise AssertionError("nothing is resumed")
        for one in rows:
            self._on_record(one)
        for table, entries in self.resumed.take_over(action.id, self.record).items():
            self.facts.setdefault(table, {}).update(entries)
        self.reached.add(action.id)
        self.watcher.step_ended(action.id, rows, self.elapsed)
        self._last_read = None
        return self._index + 1

    # --- reading again -----------------------------------------------------------------------

    def _may_read_again(self) -> bool:
        return self._to_read_again() is not None

    def _to_read_again(self) -> int | None:
        """The action that is done once more when what was read last is to be read again."""
        if len(self.judged) > self._begun:
            return self._index if self._repeatable(self._index) else None
        before = self._last_read
        if before is None or self._moved or not self._repeatable(before):
            return None
        return before

    def _repeatable(self, index: int) -> bool:
        return repeatable(self.plan.actions[index], charged=self._charged, up=self.seen_up)

    def _set_aside(self, action: Action, why: str) -> None:
        """What a step has read no longer counts, for it is read again; the rows stay on record."""
        aside = [j for j in self.judged if j.step == action.id and j.quantity != READ_AGAIN.name]
        self.judged = [j for j in self.judged if j not in aside]
        if self._charged and (told := against(action.id, aside)) and told not in self.against:
            self.against.append(told)
        for terminal in {t for hookup in action.needs.hookups for t in hookup.terminals}:
            if terminal not in self.plan.standing:  # asked for once more
                self.where.pop(terminal, None)
        self._verdicts.pop(action.id, None)
        self._earlier.forget(action.id)
        self._done.pop(action.id, None)
        self.reached.discard(action.id)
        if self.stopped_at == action.id:
            self.stopped_at = ""
        self._judge(action.id, marker(why, aside))
        self.say(f"{action.id}: {why}")

    def _like_a_wrong_clip(self, action: Action, made: Yielded) -> bool:
        """Whether hands say that a lead was on a wrong place, and have put it right: asked of a
        unit without power, where what was read would end the run."""
        if self._charged or not self.hands.looks or not made.judged:
            return False
        last = self.judged[-1]
        if last.verdict not in _ending(action.step) or not self._may_read_again():
            return False
        told = last.note if last.value is None else render(last.value, last.unit, digits=4)
        where = f" at {last.channel}" if last.channel else ""
        return self.hands.again(
            f"LOOK  {action.id}{where}: {told}\nThe unit has no power. A clip on a wrong place, or "
            "on none, reads like this: see that each is where it was named."
        )

    # --- one action --------------------------------------------------------------------------

    def _do(self, action: Action) -> None:
        step = action.step
        first = action.needs.energises and not action.needs.live
        if first:
            self.powering()
        try:
            if action.needs.dead and self._charged:
                raise NotMeasured("the unit was not seen to be discharged", where=action.id)
            if action.needs.live and not self.seen_up:
                raise NotMeasured("the rails were not seen to come up", where=action.id)
            self.limit = self._resolved(action.limit, step.unit) if action.limit else None
            self._put_back_probes(action.needs.hookups)
            self.connect(*action.needs.first_hookups)
            self._limiting.begin()
            self._measures = action.needs.live
            self._shown.clear()
            self._lost.clear()
            with self._second_look(action) as held:
                for made in step.perform(self):
                    item = self._unless_limited(made)
                    judged = self._decided(action.id, item)
                    if doubtful(action, judged, self._shown, self._lost):
                        held.append((item, judged))
                        continue
                    if held:  # what follows stays behind it
                        held.append((item, None))
                        continue
                    self._taken(action.id, item)
                    if self._like_a_wrong_clip(action, item):
                        raise ReadAgain(WRONG_CLIP)
            if action.needs.safe:
                self.was_there()
                self._charged = False
            if action.needs.energises:
                self._limiting.came_up(self.supply)
            self.seen_up |= action.needs.energises or action.needs.mains
        except NotMeasured as reason:
            # What a supply that limits keeps a unit from doing is no word about the unit.
            limits = f"{self._limiting.told} ({reason.found})" if self._limiting.told else ""
            self._not_measured(action, limits or str(reason.found))
        except (UsageError, InstrumentError) as trouble:
            if not self._only_reads(trouble):
                raise
            self._not_measured(action, str(trouble.found))
        finally:
            self._measures = False
            self.limit = self._leaning = None
            self._observed.clear()
        if first:
            self.powered_at = self.now()

    @contextmanager
    def _second_look(self, action: Action) -> Iterator[list[Held]]:
        """Takes readings that fail and wait for the end of their step, when their leads are looked
        at once more, and what follows them."""
        held: list[Held] = []
        try:
            yield held
            self._let_go(action, held, "")
        except NotMeasured:
            self._let_go(action, held, "")
            raise
        except ReadAgain:  # set aside as what they were
            for item, _ in held:
                self._taken(action.id, item)
            raise
        except BaseException:
            self._let_go(action, held, CUT_OFF)
            raise

    def _let_go(self, action: Action, held: list[Held], why: str) -> None:
        """Put them on record: as they are, or as not measured."""
        doubted = [judged for _, judged in held if judged is not None]
        if doubted and not why:
            why = why_not(self, action, doubted, set(self._lost))
        for item, judged in held:
            self._taken(action.id, item if judged is None or not why else lost(item, why))
        held.clear()

    def _taken(self, step_id: str, item: Yielded) -> None:
        if item.judged and item.value is not None:
            self._earlier.add(step_id, item.reading, item.value)
        self._judge(step_id, item)

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
        return lost(made, wrong) if wrong else made

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
        for missing in action.step.nothing(reason):
            self._judge(action.id, missing)

    def _judge(self, step_id: str, item: Yielded) -> None:
        reading = marked(item.reading, self.view.bench)
        if reading.value is None:
            self._earlier.lost(step_id, reading.note)
        self._on_record(self._decided(step_id, item))

    def _decided(self, step_id: str, item: Yielded) -> Judged:
        return decide(
            marked(item.reading, self.view.bench),
            self.limit if item.judged else None,
            self.plan.sequence.decision,
            step=step_id,
            apart=self._apart(item.value),
        )

    def _on_record(self, judged: Judged) -> None:
        self.judged.append(judged)
        self._verdicts.setdefault(judged.step, []).append(judged.verdict)
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
