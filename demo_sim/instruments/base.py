"""What all virtual instruments share: one world, and a little time for every message."""

from __future__ import annotations

from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import ScpiDevice

# Parsing and answering; without it a client that polls would wait for ever in virtual time.
MESSAGE_S = 0.001
# It is let pass in portions: heat and rails need not be worked out for every status query.
PORTION_S = 0.100
# While rails run down, whoever reads again and again would see them jump.
MOVING_S = 0.005


class Instrument(ScpiDevice):
    """A SCPI device on the bench.

    Args:
        world: what its leads see. key: its name on the bench. serial: as *IDN? shows it.
    """

    def __init__(self, world: Surroundings, key: str, serial: str) -> None:
        self.world = world
        self.key = key
        self._owed_s = 0.0
        self._virtual = world.virtual
        super().__init__(serial=serial)

    def begin_message(self) -> None:
        if not self._virtual:
            self.world.catch_up()
            return
        self.owe(MESSAGE_S)

    def owe(self, seconds: float) -> None:
        """Let a moment pass, together with others like it."""
        self._owed_s += seconds
        if self._owed_s < MOVING_S:
            return
        if self._owed_s >= PORTION_S or self.world.running_down():
            portion, self._owed_s = self._owed_s, 0.0
            self.world.advance(portion)
