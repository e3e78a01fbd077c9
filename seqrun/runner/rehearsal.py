"""A rehearsal: the person is asked for everything as on the day, and the simulated bench's own
hands do each thing once it was said to be done.

Time jumps as it does on that bench, but not while keys are pressed: a mark means that something was
done just now, so the bench's clock and the wall's run together then.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from seqrun.errors import UsageError
from seqrun.instruments.desk import Question, Setting, Typed
from seqrun.instruments.roles import Clock
from seqrun.plan.context import Press
from seqrun.plan.needs import Hookup, Leads
from seqrun.runner.hands import Operator
from seqrun.runner.opening import VirtualHands
from seqrun.runner.presses import Presses

_SLICE_S = 0.2  # of a wait, between two looks at who interrupts it


class PacedClock:
    """A virtual clock that can be held to the wall's.

    Args:
        clock: of the simulated bench.
        check: raises what ends the run.
        wall: seconds of a clock that nobody advances.
        sleep: lets it pass.
    """

    def __init__(
        self,
        clock: Clock,
        check: Callable[[], None],
        wall: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._clock, self._check, self._wall, self._sleep = clock, check, wall, sleep
        self._ahead: float | None = None  # bench time less wall time while they run together, s

    @property
    def virtual(self) -> bool:
        return self._clock.virtual

    def now(self) -> float:
        return self._together(self._clock.now())

    def wait(self, seconds: float) -> float:
        return self._together(self._clock.wait(seconds))

    @contextmanager
    def paced(self) -> Iterator[None]:
        """While this lasts a second on the bench takes a second."""
        self._ahead = self._clock.now() - self._wall()
        try:
            yield
        finally:
            self._ahead = None

    def _together(self, now: float) -> float:
        """Bench time once the clock that is behind has caught up, s."""
        if self._ahead is None:
            return now
        late = self._wall() + self._ahead - now
        if late > 0.0:
            return self._clock.wait(late)
        while (left := now - self._ahead - self._wall()) > 0.0:
            self._check()
            self._sleep(min(left, _SLICE_S))
        return now


class Rehearsal:
    """Hands that ask ``operator`` and then have the simulated bench's do it."""

    by = "virtual hands, as the operator said"
    looks = True

    def __init__(self, operator: Operator, say: Callable[[str], None]) -> None:
        self._operator, self._say = operator, say
        self._virtual: VirtualHands | None = None
        self._clock: PacedClock | None = None

    def on(self, virtual: VirtualHands, clock: PacedClock) -> None:
        """The bench is open: these do what the operator says is done."""
        self._virtual, self._clock = virtual, clock

    @property
    def _hands(self) -> VirtualHands:
        if self._virtual is None:
            raise AssertionError("a rehearsal that has no bench yet")
        return self._virtual

    def connect(self, hookup: Hookup, live: bool) -> None:
        self._operator.connect(hookup, live)
        self._hands.connect(hookup, live)

    def disconnect(self, terminal: str, words: str, live: bool) -> None:
        self._operator.disconnect(terminal, words, live)
        self._hands.disconnect(terminal, words, live)

    def turn(self, control: str, position: str, live: bool, words: str = "") -> None:
        self._operator.turn(control, position, live, words)
        self._hands.turn(control, position, live, words)

    def acknowledge(self, text: str, done: str = "done", leads: Leads = ()) -> None:
        self._operator.acknowledge(text, done, leads)

    def again(self, text: str) -> bool:
        return self._operator.again(text)

    def see_on(self, text: str, leads: Leads) -> bool:
        return self._operator.see_on(text, leads)

    @contextmanager
    def presses(self) -> Iterator[Presses]:
        if self._clock is None:
            raise AssertionError("a rehearsal that has no bench yet")
        with self._operator.presses() as pressed, self._clock.paced():
            yield lambda: list[Press](pressed())

    def set_by_hand(self, setting: Setting) -> None:
        self._operator.set_by_hand(setting)
        self._hands.set_by_hand(setting)

    def read_by_hand(self, question: Question) -> Typed:
        """What the virtual instrument shows is told, since nobody can see it; it is typed as on the
        day. A question to the eyes has no virtual answer."""
        if question.call:
            shown = self._hands.read_by_hand(question)
            self._say(f"IT SHOWS  {question.shown(shown.value)}")
        return self._operator.read_by_hand(question)

    def urge(self, setting: Setting) -> None:
        self._operator.urge(setting)
        self._hands.urge(setting)


def refuse_to_rehearse() -> UsageError:
    """The refusal of a rehearsal on a bench that is not simulated."""
    return UsageError(
        "--rehearse asks a person, and lets virtual hands do it",
        expected="the simulated bench: --bench demo, or a bench file with [simulator]",
        hint="on a real bench a run asks in any case; 'seqrun plan' shows what for",
    )
