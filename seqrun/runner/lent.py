"""What the runner lends to a step: instruments by role, leads, waiting, and what was read before.

:class:`Lent` is the :class:`~seqrun.plan.context.Context` of a run. While a step waits it looks at
the trips, at the supply's limiting and at whether anybody was there; before the operator is asked
for anything it raises again what is ending the run.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cached_property, partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.errors import NotMeasured, UsageError, WaitedInVain
from seqrun.files.expression import Expression
from seqrun.files.sequence.leaning import EarlierReading
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
from seqrun.plan.context import MAINS, Indication, Key, Press
from seqrun.plan.needs import Hookup
from seqrun.plan.supply_checks import largest_current
from seqrun.plan.view import BenchView
from seqrun.quantity import Quantity
from seqrun.runner.again import ReadAgain
from seqrun.runner.earlier import Earlier
from seqrun.runner.events import BenchNow, Near, Watcher
from seqrun.runner.hands import Hands
from seqrun.runner.keeper import Keeper
from seqrun.runner.limiting import Limiting
from seqrun.runner.opening import OpenBench
from seqrun.runner.pulse import Pulse
from seqrun.runner.trips import INTERVAL_S, ArmedTrip
from seqrun.values import Limit, Reading, exactly

T = TypeVar("T")

#: less than this is no time left: a clock that stands unless it is told to go on, and that counts
#: thousands of seconds in floating point, would not get past it
MOMENT_S = 1e-6


def _plays_not(instrument: Instrument, role: str) -> TypeError:
    return TypeError(f"'{instrument.name}' was opened as a {role} and is none")


class Lent:
    """What steps see of a run on an opened bench."""

    def __init__(
        self,
        view: BenchView,
        opened: OpenBench,
        hands: Hands,
        record: Keeper,
        watcher: Watcher,
        check_interrupt: Callable[[], None],
    ) -> None:
        self.view = view
        self.instruments: Mapping[str, Instrument] = opened.instruments
        self.clock: Clock = opened.clock
        self.hands = hands
        self.record = record
        self.watcher = watcher
        self.facts: dict[str, dict[str, object]] = {}
        self.trips: list[ArmedTrip] = []
        self.hookups_made: list[str] = []
        self.notes: list[str] = []
        self.against: list[str] = []  # what stands against an accept, whatever was read
        self.limit: Limit | None = None
        self.live = False
        self.own_mains = False
        self.tone_path_known = True
        self.powered_at = 0.0
        self.seen_up = False  # whether the rails came up, and nobody has switched them off since
        self.where = dict(view.fixed)
        self.pulse = Pulse()
        self._charged = False  # powered, or not yet seen to be discharged
        self._check_interrupt = check_interrupt
        self._earlier = Earlier()
        self._variables: dict[str, UFloat] = {}
        self._kept: dict[str, object] = {}
        self._rails_up: UFloat | None = None
        self._next_look = 0.0
        self._near: tuple[Near, ...] = ()
        self._observed: dict[str, float] = {}
        self._done: dict[str, float] = {}
        self._start = self._time = self.clock.now()
        self._proved: set[str] = set()  # terminals that have shown to be where they belong
        self._shown: set[str] = set()  # those that did in this step
        self._lost: set[str] = set()  # those through which, in this step, a tone was seen to go
        self._desk = opened.desk
        self._watches_supply = not view.by_hand("supply")
        self._limiting = Limiting(
            view.fed_rails,
            view.unit.rail_voltage,
            view.unit.supply_at_rated_power,
            largest_current(view) if view.has("supply") else math.inf,
        )
        self._measures = False  # whether the present step reads a powered unit
        self._moved = False  # whether a lead or a control was moved since it began

    # --- instruments -------------------------------------------------------------------------

    @cached_property
    def supply(self) -> Supply:
        found = self.instruments[self.view.key("supply")]
        if not isinstance(found, Supply):
            raise _plays_not(found, "supply")
        return found

    @cached_property
    def meter(self) -> Meter:
        found = self.instruments[self.view.key("meter")]
        if not isinstance(found, Meter):
            raise _plays_not(found, "meter")
        return found

    @cached_property
    def scope(self) -> Scope:
        found = self.instruments[self.view.key("scope")]
        if not isinstance(found, Scope):
            raise _plays_not(found, "scope")
        return found

    @cached_property
    def generator(self) -> Generator:
        found = self.instruments[self.view.key("generator")]
        if not isinstance(found, Generator):
            raise _plays_not(found, "generator")
        return found

    @cached_property
    def thermometer(self) -> Thermometer:
        found = self.instruments[self.view.key("thermometer")]
        if not isinstance(found, Thermometer):
            raise _plays_not(found, "thermometer")
        return found

    # --- time and trips ----------------------------------------------------------------------

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
            if left < MOMENT_S:
                raise WaitedInVain(
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
        self.was_there()

    def _tell_bench(self) -> None:
        near = self._near if self.live else ()
        self.watcher.bench(BenchNow(self.live, self._charged, dict(self.where), near))

    def was_there(self) -> None:
        """Tell a pause in which nobody watched the unit. It is asked before the unit comes to
        count as charged or as discharged, so that a pause is held against what it was then. Where
        time is virtual nothing passes on the bench meanwhile."""
        gap = self.pulse.gap()
        if gap and self._charged and not self.clock.virtual:
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

    @property
    def elapsed(self) -> float:
        """Bench time since the run began, s, as last looked at."""
        return self._time - self._start

    # --- people and leads --------------------------------------------------------------------

    def progress(
        self, text: str, fraction: float | None = None, indication: Indication | None = None
    ) -> None:
        self.watcher.step_progress(text, fraction, self.elapsed)
        if indication is not None:
            limit = self.limit if indication.judged else None
            self.watcher.step_shows(indication, limit, self.elapsed)

    def acknowledge(self, text: str) -> None:
        self._still_going()
        self._asked(partial(self.hands.acknowledge, text))

    def _asked(self, ask: Callable[[], None]) -> None:
        """Have hands do something.

        Raises:
            ReadAgain: they want what was read last to be read again, and that can be.
        """
        while True:
            try:
                return ask()
            except ReadAgain:
                if self._may_read_again():
                    raise
            self.watcher.note("there is nothing here that could be read again")

    def _may_read_again(self) -> bool:
        """Whether there is a step that could be done once more; who does the steps knows."""
        return False

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
            self._asked(partial(self.hands.connect, hookup, self._charged))
            self._moved = True
            self._desk.moved()
            self.where.update(hookup.leads)
            self._proved -= hookup.terminals
            self._shown -= hookup.terminals
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
            self._asked(partial(self.hands.disconnect, terminal, words, self._charged))
            self._moved = True
            del self.where[terminal]
            self._proved.discard(terminal)
            self.watcher.hookup(f"{terminal} off - {words}", self._charged, self.hands.by)
            self._tell_bench()

    def load_is_on(self, channel: str) -> bool:
        try:
            load = self.view.load(channel)
        except UsageError:
            return False
        hot = self.view.point(f"out.{channel}").hot
        return self.where.get(f"load.{load.name}.1") == hot

    def in_contact(self, hookup: Hookup) -> bool:
        return self._proved >= hookup.terminals

    def contact_seen(self, hookup: Hookup) -> None:
        self._proved |= hookup.terminals
        self._shown |= hookup.terminals
        self.tone_path_known = True

    def contact_lost(self, hookup: Hookup) -> None:
        self._proved -= hookup.terminals
        self._shown -= hookup.terminals
        self._lost |= hookup.terminals

    def see_on(self, what: str, *hookups: Hookup) -> bool:
        self._still_going()
        leads = tuple(dict.fromkeys(lead for hookup in hookups for lead in hookup.leads))
        words = "\n".join(dict.fromkeys(hookup.words for hookup in hookups))
        ask = "as a lead that has come off would. Is each where it was put?"
        return self.hands.see_on(f"LOOK  {what}, {ask}\n{words}", leads)

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
            self.was_there()
            self.own_mains = self._charged = True
        try:
            self._asked(partial(self.hands.turn, control, position, self._charged, words))
            self._moved = True
        except (NotMeasured, ReadAgain):  # nobody did it
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

    def _put_back_probes(self, hookups: Iterable[Hookup]) -> None:
        """A probe that another step borrowed goes back to where the bench file has it."""
        taken = frozenset[str]().union(*(hookup.terminals for hookup in hookups))
        scopes = {key for key, driver in self.view.drivers.items() if driver.role == "scope"}
        for terminal, node in self.view.fixed.items():
            if terminal.partition(".")[0] in scopes and terminal not in taken:
                words = f"scope {terminal} back to {node}"
                self.connect(Hookup(((terminal, node),), words))

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

    # --- what is known and kept --------------------------------------------------------------

    def evaluate(self, expression: Expression | float, unit: str) -> float:
        if isinstance(expression, float | int):
            return float(expression)
        readings = self._readings_in(expression.names())
        known = {name: one.quantity() for name, one in readings.items()}
        return expression.evaluate_in(unit, {**self.names(), **known})

    def _readings_in(self, names: Iterable[str]) -> dict[str, EarlierReading]:
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

    def sound(
        self, name: str, volts: NDArray[np.float64], rate_hz: float, full_scale_v: float
    ) -> None:
        self.record.sound(name, volts, rate_hz, full_scale_v)

    def fact(self, table: str, key: str, value: object) -> None:
        self.facts.setdefault(table, {})[key] = value

    def powered_off(self) -> None:
        self.live = self.seen_up = False
        self._proved.clear()  # relays open

    def powering(self) -> None:
        self.was_there()
        self.live = self._charged = True

    def rails_came_up(self, moment: UFloat) -> None:
        self._rails_up = moment
        self.seen_up, self.powered_at = True, float(moment.nominal_value)
        self._limiting.begin()  # reservoirs were charged at the limit: no reading was made then

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
