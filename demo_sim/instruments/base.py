"""What all virtual instruments share: one world, and a little time for every message."""

from __future__ import annotations

from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import ScpiDevice

# Parsing and answering; without it a client that polls would wait for ever in virtual time.
MESSAGE_S = 0.001


class Instrument(ScpiDevice):
    """A SCPI device on the bench.

    Args:
        world: what its leads see. key: its name on the bench. serial: as *IDN? shows it.
    """

    def __init__(self, world: Surroundings, key: str, serial: str) -> None:
        self.world = world
        self.key = key
        super().__init__(serial=serial)

    def begin_message(self) -> None:
        if self.world.virtual:
            self.world.advance(MESSAGE_S)
        else:
            self.world.catch_up()
