"""Whether the bench supply holds a rail by its current limit while something is measured.

A rail that the supply limits is no rail at its voltage: power, distortion and sag read then are the
bench's and not the unit's. It is looked at together with the trips.
"""

from __future__ import annotations

from collections.abc import Mapping

from seqrun.errors import NotMeasured, UsageError
from seqrun.instruments.roles import Supply
from seqrun.quantity import render

#: a supply that does not tell: a rail this far below what it was when the unit was powered
SAGGED = 0.9


class Limiting:
    """What was seen of it since :meth:`begin`.

    Args:
        rails: rail -> supply output.
        rated_v: the unit's rail voltage, for the message.
    """

    def __init__(self, rails: Mapping[str, int], rated_v: float) -> None:
        self._rails = rails
        self._rated_v = rated_v
        self._at_first: dict[str, float] = {}
        self.told = ""

    def begin(self) -> None:
        """A step begins: what was seen before does not count against it."""
        self.told = ""

    def look(self, supply: Supply) -> None:
        """Ask the supply once for each rail; the first that limits is told."""
        for rail, output in self._rails.items():
            if not self.told and self._limits(supply, rail, output):
                amperes = render(supply.current_raw(output), "A", digits=3)
                volts = render(float(supply.voltage(output).nominal_value), "V", digits=3)
                rated = render(self._rated_v, "V", digits=3)
                self.told = (
                    f"the bench supply limits at {amperes}, {rail} is at {volts} of {rated}: "
                    "raise running_limit"
                )

    def _limits(self, supply: Supply, rail: str, output: int) -> bool:
        try:
            return supply.constant_current(output)
        except (NotMeasured, UsageError):  # it does not tell: then the rail itself does
            volts = float(supply.voltage(output).nominal_value)
            return not volts >= SAGGED * self._at_first.setdefault(rail, volts)
