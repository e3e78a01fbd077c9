"""What hangs on a supply's terminals: a resistor on each output, and what follows from it."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass
class Output:
    """One output with a resistor across it.

    The protections switch the output off by themselves; ``tripped`` says which of them did.
    """

    volts: float = 0.0
    amperes: float = 0.0
    on: bool = False
    ohms: float = math.inf
    over_volts: float = math.inf
    over_volts_on: bool = False
    over_amperes: float = math.inf
    over_amperes_on: bool = False
    tripped: str = ""

    @property
    def limited(self) -> bool:
        """Whether the current limit holds the output."""
        return self.on and self.volts / self.ohms > self.amperes

    @property
    def current(self) -> float:
        return min(self.volts / self.ohms, self.amperes) if self.on else 0.0

    @property
    def voltage(self) -> float:
        if not self.on:
            return 0.0
        return self.current * self.ohms if self.limited else self.volts

    def settle(self) -> None:
        """Let the protections act."""
        if self.on and self.over_volts_on and self.voltage > self.over_volts:
            self.on, self.tripped = False, "OVP"
        elif self.on and self.over_amperes_on and self.current > self.over_amperes:
            self.on, self.tripped = False, "OCP"
