"""What the runner lends to a step while it is done: instruments, clock, hands, earlier readings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractContextManager
from typing import NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from seqrun.files.expression import Expression
from seqrun.instruments.roles import Clock, Generator, Meter, Scope, Supply, Thermometer
from seqrun.plan.needs import Hookup
from seqrun.plan.view import BenchView
from seqrun.values import Limit, Reading

T = TypeVar("T")


class Press(NamedTuple):
    """A key that the operator pressed, and how many seconds ago."""

    key: str
    ago_s: float


class Key(NamedTuple):
    """A key that may be pressed, and what it is for."""

    key: str
    label: str


class Indication(NamedTuple):
    """A number that moves while a step is done, for whoever watches.

    ``judged``: it is what the step's limit is about. ``end`` and ``end_u`` tell where a fit sees it
    end, with the standard uncertainty, and ``tau_s`` how fast it gets there.
    """

    name: str
    value: float
    unit: str
    judged: bool = False
    end: float | None = None
    end_u: float = 0.0
    tau_s: float = 0.0


MAINS = "mains"  # the control that stands for the unit's own mains plug: on, off
PLUG_OUT = "the unit's own mains plug out again"


class Context(Protocol):
    """What the runner lends to a step while it is done."""

    @property
    def view(self) -> BenchView: ...

    @property
    def clock(self) -> Clock: ...

    @property
    def supply(self) -> Supply: ...

    @property
    def meter(self) -> Meter: ...

    @property
    def scope(self) -> Scope: ...

    @property
    def generator(self) -> Generator: ...

    @property
    def thermometer(self) -> Thermometer: ...

    @property
    def limit(self) -> Limit | None:
        """The limit of the step being done, resolved."""
        ...

    @property
    def powered_at(self) -> float:
        """Bench time at which the rails came up, s."""
        ...

    @property
    def own_mains(self) -> bool:
        """Whether the unit's own mains plug is in, as the operator was asked to have it."""
        ...

    def powered_off(self) -> None:
        """The step has switched the supply off on purpose: no trip is to take that for a fault."""
        ...

    def powering(self) -> None:
        """The step is about to switch the supply on (again): the trips watch from here on."""
        ...

    def wait_until(
        self,
        condition: Callable[[], T | None],
        *,
        every_s: float,
        at_most_s: float,
        what: str,
    ) -> T:
        """Poll ``condition`` until it returns something, and the trips with it.

        Raises:
            WaitedInVain: when ``at_most_s`` of bench time has gone by.
        """
        ...

    def poll(self) -> None:
        """Look at the trips now."""
        ...

    def progress(
        self, text: str, fraction: float | None = None, indication: Indication | None = None
    ) -> None:
        """Tell the person what is going on: a value, a stage; share of the step that is done;
        ``indication`` is the number of ``text``, for whoever draws it."""
        ...

    def acknowledge(self, text: str) -> None:
        """Have the operator confirm that a text was read or a thing was done."""
        ...

    def confirm_seen(self, text: str) -> None:
        """Have the operator look at something that no instrument tells, and confirm it.

        Raises:
            NotMeasured: nobody is there who looks: ``--yes`` vouches for leads that stay, not for
                how a knob is set.
        """
        ...

    def connect(self, *hookups: Hookup) -> None:
        """Have hookups made (asked of the operator, the switch or the virtual hands)."""
        ...

    def disconnect(self, terminal: str, words: str) -> None:
        """Have one lead taken off."""
        ...

    def in_contact(self, hookup: Hookup) -> bool:
        """Whether all leads of a hookup have shown that they are on their nodes, since they were
        put there and since the unit was powered."""
        ...

    @property
    def tone_path_known(self) -> bool:
        """Whether a tone at the generator gets to the output as the unit's controls are now set:
        False from the moment a control is turned until a tone was seen again."""
        ...

    def contact_seen(self, hookup: Hookup) -> None:
        """The leads of a hookup have just shown that they are there."""
        ...

    def load_is_on(self, channel: str) -> bool:
        """Whether a channel's test load is on its terminals, as far as anybody was told."""
        ...

    def contact_lost(self, hookup: Hookup) -> None:
        """What should have been seen through the leads of a hookup is not there: that they have
        shown themselves before no longer counts."""
        ...

    def see_on(self, what: str, *hookups: Hookup) -> bool:
        """Have somebody look whether leads are where they belong, after a reading that one which
        has come off would also give; ``what`` was read. False when they are not, or nobody can
        look. Unlike :meth:`ask_contact` it vouches for the leads alone."""
        ...

    def ask_contact(self, hookup: Hookup, why: str) -> bool:
        """Have somebody look whether leads are where they belong; False when nobody can."""
        ...

    @property
    def by_hand_s(self) -> float:
        """Bench time that setting, reading and typing by hand have taken so far, s."""
        ...

    def see(self, words: str) -> bool:
        """What a person sees: yes or no to a question.

        Raises:
            NotMeasured: nobody is there to look.
        """
        ...

    def turn(self, control: str, position: str, words: str = "") -> None:
        """Have a knob, switch or plug of the unit set (asked of the operator or the virtual
        hands): ``turn("input", "phono")``. ``words`` tell the operator more.

        Raises:
            NotMeasured: the unit has no such control or position.
        """
        ...

    def say(self, text: str) -> None:
        """Tell the person something that was found out, and keep it among the run's notes."""
        ...

    def presses(
        self, keys: tuple[Key, ...] = ()
    ) -> AbstractContextManager[Callable[[], list[Press]]]:
        """While it is open, the function that it yields returns the keys that the operator has
        pressed since it was last called. ``keys`` are those that mean something.

        Raises:
            NotMeasured: nobody is there to press keys.
        """
        ...

    def evaluate(self, expression: Expression | float, unit: str) -> float:
        """A quantity or an expression over the unit sheet and earlier readings, in ``unit``."""
        ...

    def measured(self, step_id: str) -> list[tuple[Reading, UFloat]]:
        """Earlier readings by the id of their step, with correlations intact.

        Raises:
            NotMeasured: when there is none, with the reason that was given then.
        """
        ...

    def done_at(self, step_id: str) -> float:
        """Bench time at which an earlier step was done, s.

        Raises:
            NotMeasured: it was not reached.
        """
        ...

    def persistent(self, key: str, make: Callable[[], UFloat]) -> UFloat:
        """A variable that stays the same through the run (a resistor's value), made once."""
        ...

    def keep(self, key: str, value: object) -> None:
        """Keep something that is no reading for later steps: what a soak has heard meanwhile."""
        ...

    def kept(self, key: str) -> object:
        """What an earlier step has kept; None when nothing was."""
        ...

    def trace(self, name: str, columns: Mapping[str, Iterable[float]]) -> None:
        """Keep a trace (CSV) in the run's folder; column names end in their unit."""
        ...

    def sound(
        self, name: str, volts: NDArray[np.float64], rate_hz: float, full_scale_v: float
    ) -> None:
        """Keep what was heard (WAV) beside the trace of that name; full scale is so many volts."""
        ...

    def rails_came_up(self, moment: UFloat) -> None:
        """Tell the bench time at which the rails came up, s, with its uncertainty."""
        ...

    @property
    def rails_up(self) -> UFloat:
        """That bench time as the step that raised them told it; :attr:`powered_at` if none did."""
        ...

    def observe(self, quantity: str, value: float) -> None:
        """Tell the trips a value that was read anyway: "sink_temperature" in °C, "out_dc" in V
        without its sign."""
        ...

    def fact(self, table: str, key: str, value: object) -> None:
        """Keep something that is not a reading: a fit, a condition."""
        ...
