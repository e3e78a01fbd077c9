"""A switch as hands: what its relays reach it moves, the rest is asked of the others."""

from __future__ import annotations

from contextlib import AbstractContextManager

from seqrun.errors import InstrumentRefused, UsageError
from seqrun.instruments.desk import Question, Setting, Typed
from seqrun.instruments.roles import Switch
from seqrun.plan.needs import Hookup, Leads
from seqrun.runner.hands import Hands
from seqrun.runner.presses import Presses


class SwitchHands:
    """Moves leads by relays where they reach, and by ``others`` where they do not.

    Args:
        switch: a matrix; a connection that it is not wired for it refuses.
        others: the operator, or the virtual hands of a simulated bench.
    """

    def __init__(self, switch: Switch, others: Hands) -> None:
        self._switch, self._others = switch, others
        self._held: set[str] = set()  # terminals that are on a node by a relay
        self._beyond: set[tuple[str, str]] = set()  # (terminal, node) that it refused
        self.by = "switch"
        self.looks = others.looks

    def connect(self, hookup: Hookup, live: bool) -> None:
        by_hand = tuple(lead for lead in hookup.leads if not self._switched(*lead))
        self.by = "switch"
        if not by_hand:
            return
        for terminal, _ in by_hand:
            self._release(terminal)
        self._others.connect(Hookup(by_hand, hookup.words), live)
        partly = len(by_hand) < len(hookup.leads)
        self.by = f"switch and {self._others.by}" if partly else self._others.by

    def disconnect(self, terminal: str, words: str, live: bool) -> None:
        if self._release(terminal):
            self.by = "switch"
            return
        self._others.disconnect(terminal, words, live)
        self.by = self._others.by

    def turn(self, control: str, position: str, live: bool, words: str = "") -> None:
        self._others.turn(control, position, live, words)
        self.by = self._others.by

    def acknowledge(self, text: str, done: str = "done", leads: Leads = ()) -> None:
        self._others.acknowledge(text, done, leads)

    def again(self, text: str) -> bool:
        return self._others.again(text)

    def see_on(self, text: str, leads: Leads) -> bool:
        return self._others.see_on(text, leads)

    def presses(self) -> AbstractContextManager[Presses]:
        return self._others.presses()

    def set_by_hand(self, setting: Setting) -> None:
        self._others.set_by_hand(setting)

    def read_by_hand(self, question: Question) -> Typed:
        return self._others.read_by_hand(question)

    def urge(self, setting: Setting) -> None:
        self._others.urge(setting)

    def _switched(self, terminal: str, node: str) -> bool:
        """Whether the matrix made the connection; a refused one is not tried again."""
        if (terminal, node) in self._beyond:
            return False
        try:
            self._switch.connect(terminal, node)
        except (UsageError, InstrumentRefused):
            self._beyond.add((terminal, node))
            return False
        self._held.add(terminal)
        return True

    def _release(self, terminal: str) -> bool:
        """Open the relays of a terminal; False when none of them is closed."""
        if terminal not in self._held:
            return False
        self._switch.disconnect(terminal)
        self._held.discard(terminal)
        return True
