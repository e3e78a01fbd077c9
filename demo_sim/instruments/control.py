"""Clock and hands of the simulated bench: not an instrument, but spoken to like one.

A client waits by this clock and moves leads by these hands, so that what needs a technician on a
real bench can be driven over the same link.
"""

from __future__ import annotations

from typing import Protocol

from demo_sim.errors import DemoError
from demo_sim.instruments.base import Instrument
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import Call, Numeric, Quoted, ScpiError, String, command, query

# Taking a lead from one place to another, seconds; hands are as quick on a real-time demo as
# whoever types.
HAND_S = 2.0
LONGEST_WAIT_S = 1e5


class HandledWorld(Surroundings, Protocol):
    """What hands may do beyond what instruments may."""

    def connect(self, terminal: str, node: str) -> None: ...

    def disconnect(self, terminal: str) -> None: ...

    def nodes(self) -> list[str]: ...

    def terminals(self) -> list[str]: ...

    def set_setting(self, name: str, value: str | float | bool) -> None: ...


class Control(Instrument):
    """The ``control`` resource."""

    model = "SIMULATED BENCH"

    def __init__(self, world: HandledWorld, key: str = "control", serial: str = "0") -> None:
        super().__init__(world, key, serial)
        self._world = world
        self.spent_s = 0.0  # time that clock and hands have let pass

    def begin_message(self) -> None:
        """Looking at the clock costs no time; in real time the world is brought up to it."""
        if not self.world.virtual:
            self.world.catch_up()

    @query("CLOCk:NOW")
    def now(self, call: Call) -> float:
        return self._world.now

    @command("CLOCk:WAIT", Numeric(unit="S", min=0.0, max=LONGEST_WAIT_S))
    def wait(self, call: Call, seconds: float) -> None:
        self._world.advance(seconds)
        self.spent_s += seconds

    @query("CLOCk:VIRTual")
    def virtual(self, call: Call) -> bool:
        return self._world.virtual

    @command("HANDs:CONNect", String(), String())
    def connect(self, call: Call, terminal: str, node: str) -> None:
        there = self._world.node_of(terminal)
        try:
            self._world.connect(terminal, node)
        except DemoError as error:
            raise ScpiError(-224, str(error)) from error
        if node != there:
            self._take_time()

    @command("HANDs:DISConnect", String())
    def disconnect(self, call: Call, terminal: str) -> None:
        try:
            self._world.disconnect(terminal)
        except DemoError as error:
            raise ScpiError(-224, str(error)) from error
        self._take_time()

    @command("HANDs:CLEar", String())
    def clear_instrument(self, call: Call, instrument: str) -> None:
        """All leads of one instrument off."""
        found = [
            t
            for t in self._world.terminals()
            if t.split(".")[0] == instrument and self._world.node_of(t) is not None
        ]
        for terminal in found:
            self._world.disconnect(terminal)
        if found:
            self._take_time()

    @query("HANDs:NODE", String())
    def node(self, call: Call, terminal: str) -> Quoted:
        """Where a lead is; empty when it hangs free."""
        return Quoted(self._world.node_of(terminal) or "")

    @query("HANDs:NODes")
    def nodes(self, call: Call) -> tuple[Quoted, ...]:
        return tuple(Quoted(node) for node in self._world.nodes())

    @command("HANDs:SETTing", String(), String())
    def setting(self, call: Call, name: str, value: str) -> None:
        """Turn a knob, press a switch, pull a plug: numbers and on/off as what they are."""
        try:
            self._world.set_setting(name, _typed(value))
        except DemoError as error:
            raise ScpiError(-224, str(error)) from error
        self._take_time()

    def _take_time(self) -> None:
        if self._world.virtual:
            self._world.advance(HAND_S)
            self.spent_s += HAND_S


def _typed(value: str) -> str | float | bool:
    if value.lower() in ("on", "true", "off", "false"):
        return value.lower() in ("on", "true")
    try:
        return float(value)
    except ValueError:
        return value
