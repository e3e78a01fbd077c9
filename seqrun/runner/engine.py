"""Does the actions of a plan, one after another, and leaves a record.

The engine is the :class:`~seqrun.plan.context.Context` that steps see: it waits (polling the
trips), makes hookups, resolves limits, judges readings and writes them down as they happen.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import TypeVar, cast

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
from seqrun.files.expression import Expression
from seqrun.files.sequence.fields import LimitSpec
from seqrun.files.sequence.leaning import Known, Leaning, leaning
from seqrun.instruments.desk import Question
from seqrun.instruments.roles import (
    Clock,
    Generator,
    Instrument,
    Meter,
    Scope,
    Supply,
    Thermometer,
)
from seqrun.judge import Apart, decide
from seqrun.plan.build import Action, Plan
from seqrun.plan.context import MAINS, Indication, Key, Press
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.leaving_out import lines
from seqrun.plan.needs import Hookup
from seqrun.plan.standing_in import verdicts_with_stand_ins
from seqrun.plan.view import BenchView
from seqrun.quantity import Quantity
from seqrun.record import RunRecord
from seqrun.record.table import LOCK_TIMEOUT_S, Patience
from seqrun.runner.earlier import Earlier
from seqrun.runner.events import BenchNow, Near, Watcher
from seqrun.runner.hands import Hands
from seqrun.runner.limiting import Limiting
from seqrun.runner.opening import OpenBench
from seqrun.runner.pulse import Pulse
from seqrun.runner.reading_by_hand import marked
from seqrun.runner.trips import INTERVAL_S, ArmedTrip
from seqrun.values import Bound, Judged, Limit, Reading, Verdict, exactly

T = TypeVar("T")
#: how long a run with power on waits for another program that has the record locked
LOCKED_S = 2.0

#: states of ``only_if`` that make a step one for the bad case only
NOT_NEEDED = ("failed", "not measured")


def _decided(judged: Iterable[Judged]) -> bool:
    """Whether a limit was held against something, or something is on record as not measured."""
    return any(j.limit is not None or j.verdict is Verdict.NOT_MEASURED for j in judged)


class Engine:
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
        self.plan = plan
        self.instruments: Mapping[str, Instrument] = opened.instruments
        self.clock: Clock = opened.clock
        self.hands = hands
        self.record = record
        self.watcher = watcher
        self.simulated = opened.simulated
        self.judged: list[Judged] = []
        self.facts: dict[str, dict[str, object]] = {}
        self.trips: list[ArmedTrip] = []
        self.hookups_made: list[str] = []
        self.notes: list[str] = []
        self.limit: Limit | None = None
        self.stopped_at = ""
        self.live = False
        self.own_mains = False
        self.tone_path_known = True
        self._charged = False  # powered, or not yet seen to be discharged
        self.powered_at = 0.0
        self.where = dict(plan.view.fixed)
        self.reached: set[str] = set()
        self.skipped: list[str] = []
        self._check_interrupt = check_interrupt
        self._earlier = Earlier()
        self._leaning: Leaning | None = None  # the limit, where it leans on earlier readings
        self._variables: dict[str, UFloat] = {}
        self._kept: dict[str, object] = {}
        self._rails_up: UFloat | None = None
        self.seen_up = False  # whether the rails came up, and nobody has switched them off since
        self._next_look = 0.0
        self._near: tuple[Near, ...] = ()
        self._observed: dict[str, float] = {}
        self._verdicts: dict[str, list[Verdict]] = {}
        self._done: dict[str, float] = {}
        self._start = self._time = self.clock.now()
        self._proved: set[str] = set()  # terminals that have shown to be where they belong
        self.pulse = Pulse()
        self.against: list[str] = []  # what stands against an accept, whatever was read
        self._desk = opened.desk
        self._watches_supply = not plan.view.by_hand("supply")
        self._limiting = Limiting(plan.view.fed_rails, plan.view.unit.rail_voltage)
        self._measures = False  # whether the present step reads a powered unit

    # --- what a step sees --------------------------------------------------------------------

    @property
    def view(self) -> BenchView:
        return self.plan.view

    @property
    def supply(self) -> Supply:
        return cast(Supply, self.instruments[self.view.key("supply")])

    @property
    def meter(self) -> Meter:
        return cast(Meter, self.instruments[self.view.key("meter")])

    @property
    def scope(self) -> Scope:
        return cast(Scope, self.instruments[self.view.key("scope")])

    @property
    def generator(self) -> Generator:
        return cast(Generator, self.instruments[self.view.key("generator")])

    @property
    def thermometer(self) -> Thermometer:
        return cast(Thermometer, self.instruments[self.view.key("thermometer")])

    def wait_until(
        self,
        condition: Callable[[], T | None],
        *,
        every_s: float,
        at_most_s: float,
        what: str,
    ) -> T:
        now = start = self.now()
        by_hand = self._desk.spent_s
        while True:
            self._check_interrupt()
            found = condition()
            if found is not None:
                return found
            if now >= self._next_look:
                self._look(now)
            left = at_most_s - (now - start) + (self._desk.spent_s - by_hand)
            if left <= 0.0:
                raise NotMeasured(
                    f"waited {now - start:.0f} s for {what}",
                    expected=f"within {at_most_s:g} s",
                )
            now = self._time = self.clock.wait(min(every_s, left))

    def poll(self) -> None:
        self._check_interrupt()
        self._look(self.now())

    def watch(self) -> None:
        """Look at the trips while the operator is asked; an unpowered unit needs no watching."""
        if self.live:
            self._look(self.now())

    def _look(self, now: float) -> None:
        self._near = tuple(near for trip in self.trips if (near := trip.look()) is not None)
        self._tell_bench()
        self._next_look = now + INTERVAL_S
        if self._measures and self.live and self._watches_supply:
            self._limiting.look(self.supply)
        self._was_there()

    def _tell_bench(self) -> None:
        near = self._near if self.live else ()
        self.watcher.bench(BenchNow(self.live, self._charged, dict(self.where), near))

    def _was_there(self) -> None:
        """Tell a pause in which nobody watched the unit."""
        gap = self.pulse.gap()
        if gap and self._charged:
            told = (
                f"nobody watched the powered unit for {gap:.0f} s: the computer slept, or the "
                "program was stopped"
            )
            self.say(told)
            self.against.append(told)

    def now(self) -> float:
        """Bench time, s, asked of the clock; elsewhere the latest one known is near enough."""
        self._time = self.clock.now()
        return self._time

    def progress(
        self, text: str, fraction: float | None = None, indication: Indication | None = None
    ) -> None:
        self.watcher.step_progress(text, fraction, self.elapsed)
        if indication is not None:
            limit = self.limit if indication.judged else None
            self.watcher.step_shows(indication, limit, self.elapsed)

    def acknowledge(self, text: str) -> None:
        self._still_going()
        self.hands.acknowledge(text)

    def confirm_seen(self, text: str) -> None:
        if not self.hands.looks:
            raise NotMeasured(
                f"nobody is there to look: {text.splitlines()[0]}",
                expected="an operator at the terminal",
            )
        self.acknowledge(text)

    def connect(self, *hookups: Hookup) -> None:
        for hookup in hookups:
            if all(self.where.get(terminal) == node for terminal, node in hookup.leads):
                continue
            self._still_going()
            self._ready_meter(hookup)
            self.hands.connect(hookup, self._charged)
            self._desk.moved()
            self.where.update(hookup.leads)
            self._proved -= hookup.terminals
            self.hookups_made.append(hookup.words)
            self.watcher.hookup(hookup.words, self._charged, self.hands.by)
            self._tell_bench()
            if self.live:
                self.poll()

    def _ready_meter(self, hookup: Hookup) -> None:
        """A meter that still reads ohms drives a current, and does not like volts: it is set to
        DC volts before its leads go onto anything that may be charged."""
        if not self._charged or not self.view.has("meter"):
            return
        if any(t.partition(".")[0] == self.view.key("meter") for t, _ in hookup.leads):
            self.meter.configure("dc_voltage", None, 1.0)

    def disconnect(self, terminal: str, words: str) -> None:
        if terminal in self.where:
            self._still_going()
            self.hands.disconnect(terminal, words, self._charged)
            del self.where[terminal]
            self._proved.discard(terminal)
            self.watcher.hookup(f"{terminal} off - {words}", self._charged, self.hands.by)
            self._tell_bench()

    def in_contact(self, hookup: Hookup) -> bool:
        return self._proved >= hookup.terminals

    def contact_seen(self, hookup: Hookup) -> None:
        self._proved |= hookup.terminals
        self.tone_path_known = True

    def ask_contact(self, hookup: Hookup, why: str) -> bool:
        if not self.hands.looks:
            return False
        self.acknowledge(f"LOOK  {why}. Is this so? {hookup.words}")
        return True

    @property
    def by_hand_s(self) -> float:
        return self._desk.spent_s

    def see(self, words: str) -> bool:
        self._still_going()
        return bool(self._desk.read(Question("", words, "")).value)

    def turn(self, control: str, position: str, words: str = "") -> None:
        self._still_going()
        before = self.own_mains, self._charged
        if control == MAINS and position == "on":
            # From the question on it may be in: whoever ends the run there need not have said so.
            self.own_mains = self._charged = True
        try:
            self.hands.turn(control, position, self._charged, words)
        except NotMeasured:  # nobody did it
            self.own_mains, self._charged = before
            raise
        self._desk.moved()
        if control == MAINS:
            self.own_mains = position == "on"
        else:
            self.tone_path_known = False
        self.watcher.hookup(f"{control} to {position}", self._charged, self.hands.by)
        if self.live:
            self.poll()

    def _still_going(self) -> None:
        """Before the operator is asked for anything: raise again what is ending the run.

        A step that puts a lead back on its way out must not hold up the safe state with a
        question, while the unit is powered and something is wrong.
        """
        self._check_interrupt()
        ending = sys.exc_info()[1]
        if ending is not None and not isinstance(ending, NotMeasured):
            raise ending

    def say(self, text: str) -> None:
        self.watcher.note(text)
        self.notes.append(text)

    @contextmanager
    def presses(self, keys: tuple[Key, ...] = ()) -> Iterator[Callable[[], list[Press]]]:
        with self.hands.presses() as pressed:
            self.watcher.keys(keys)
            try:
                yield pressed
            finally:
                self.watcher.keys(())

    def evaluate(self, expression: Expression | float, unit: str) -> float:
        if isinstance(expression, float | int):
            return float(expression)
        readings = self._readings_in(expression.names())
        known = {name: one.quantity() for name, one in readings.items()}
        return expression.evaluate_in(unit, {**self.names(), **known})

    def _readings_in(self, names: Iterable[str]) -> dict[str, Known]:
        """What names that are not the unit sheet's stand for."""
        return self._earlier.known(set(names) - self.names().keys())

    def measured(self, step_id: str) -> list[tuple[Reading, UFloat]]:
        return self._earlier.measured(step_id)

    def done_at(self, step_id: str) -> float:
        if step_id not in self._done:
            raise NotMeasured(f"'{step_id}' was not reached", where=step_id)
        return self._done[step_id]

    def persistent(self, key: str, make: Callable[[], UFloat]) -> UFloat:
        if key not in self._variables:
            self._variables[key] = make()
        return self._variables[key]

    def keep(self, key: str, value: object) -> None:
        self._kept[key] = value

    def kept(self, key: str) -> object:
        return self._kept.get(key)

    def trace(self, name: str, columns: Mapping[str, Iterable[float]]) -> None:
        self.record.trace(name, columns)

    def fact(self, table: str, key: str, value: object) -> None:
        self.facts.setdefault(table, {})[key] = value

    # --- the run -----------------------------------------------------------------------------

    @property
    def elapsed(self) -> float:
        """Bench time since the run began, s, as last looked at."""
        return self._time - self._start

    def powered_off(self) -> None:
        self.live = self.seen_up = False
        self._proved.clear()  # relays open

    def rails_came_up(self, moment: UFloat) -> None:
        self._rails_up = moment

    @property
    def rails_up(self) -> UFloat:
        return exactly(self.powered_at) if self._rails_up is None else self._rails_up

    def observe(self, quantity: str, value: float) -> None:
        self._observed[quantity] = value

    def observed(self, quantity: str) -> float | None:
        """The latest value that the present step observed."""
        return self._observed.get(quantity)

    def names(self) -> Mapping[str, Quantity]:
        """The unit sheet's ratings. In arithmetic they go before a step of the same name."""
        return self.view.unit.names()

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

    def _put_back_probes(self, hookups: Iterable[Hookup]) -> None:
        """A probe that another step borrowed goes back to where the bench file has it."""
        taken = frozenset[str]().union(*(hookup.terminals for hookup in hookups))
        scopes = {key for key, driver in self.view.drivers.items() if driver.role == "scope"}
        for terminal, node in self.view.fixed.items():
            if terminal.partition(".")[0] in scopes and terminal not in taken:
                words = f"scope {terminal} back to {node}"
                self.connect(Hookup(((terminal, node),), words))

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
    def charged(self) -> bool:
        """Whether the unit is powered, or was not seen to be discharged since."""
        return self._charged

    def unread_rails(self) -> list[str]:
        """Rails that may be charged and that the supply cannot tell of: its leads are off them."""
        if not self._charged:
            return []
        if not self.view.has("supply"):
            return list(self.view.unit.rail_names)
        on = {(t.rpartition(".")[0], node) for t, node in self.where.items()}
        outlets = self.view.outlets("supply")
        return [r for r, n in self.view.rails.items() if (outlets[n - 1], r) not in on]

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
