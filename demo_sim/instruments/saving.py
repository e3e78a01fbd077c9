"""*SAV and *RCL: settings kept in numbered places (IEEE 488.2, 10.29 and 10.33).

The places outlast *RST and are gone when the bench is. A recall starts from the state after *RST,
so that nothing which was set in between survives.
"""

from __future__ import annotations

import copy
from typing import ClassVar

from demo_sim.instruments.base import Instrument
from demo_sim.instruments.surroundings import Surroundings
from demo_sim.scpi import Call, Integer, ScpiError, command

PLACES = 10
_PLACE = Integer(min=0, max=PLACES - 1)


class SavingInstrument(Instrument):
    """``kept`` names the attributes that are the instrument's settings."""

    kept: ClassVar[tuple[str, ...]] = ()

    def __init__(self, world: Surroundings, key: str, serial: str) -> None:
        super().__init__(world, key, serial)
        self._saved: dict[int, dict[str, object]] = {}

    def recalled(self) -> None:
        """Settings have been put back: make the hardware follow."""

    @command("*SAV", _PLACE)
    def save(self, call: Call, place: int) -> None:
        self._saved[place] = copy.deepcopy({name: getattr(self, name) for name in self.kept})

    @command("*RCL", _PLACE)
    def recall(self, call: Call, place: int) -> None:
        if place not in self._saved:
            raise ScpiError(-221, f"nothing was saved in {place}")
        self.reset()
        for name, value in copy.deepcopy(self._saved[place]).items():
            setattr(self, name, value)
        self.recalled()
