"""Whether the rails are what the bench supply was told to make them while something is measured.

A rail that the supply limits is no rail at its voltage: power, distortion and sag read then are the
bench's and not the unit's. It is looked at together with the trips. One that nothing feeds any more
is a rail of an unpowered unit, which is quiet, cool and without offset: it is looked at for each
reading.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from seqrun.errors import NotMeasured, UsageError
from seqrun.instruments.roles import Supply
from seqrun.quantity import render

#: above what the unit draws at rated power: the limit that a healthy unit never meets (our own
#: choice; it covers the crest of a slow supply and a unit at the top of its tolerance)
ENOUGH = 1.35
#: a supply that does not tell: a rail this far below what it was when the unit was powered
SAGGED = 0.9


class Limiting:
    """What was seen of it since :meth:`begin`.

    Args:
        rails: rail -> supply output.
        rated_v: the unit's rail voltage, for the message.
        rated_a: what a rail gives at rated power into all loads.
        most_a: what the supply can be set to give; infinite when its driver does not say.
    """

    def __init__(
        self,
        rails: Mapping[str, int],
        rated_v: float,
        rated_a: float = math.inf,
        most_a: float = math.inf,
    ) -> None:
        self._rails = rails
        self._rated_v = rated_v
        self._rated_a, self._most_a = rated_a, most_a
        self._at_first: dict[str, float] = {}
        self.told = ""

    def came_up(self, supply: Supply) -> None:
        """The unit was powered: what each rail is now is what it has to stay near.

        Raises:
            NotMeasured: the supply gives no number for it.
        """
        for rail, output in self._rails.items():
            self._at_first[rail] = float(supply.voltage(output).nominal_value)

    def fell(self, supply: Supply) -> str:
        """What shows that the unit is not powered as it was any more, in words, or nothing.

        A supply that is off tells so itself: its rails may be charged for seconds yet.

        Raises:
            NotMeasured: the supply gives no number for it.
        """
        if self._at_first and supply.has("enabled") and not supply.enabled():
            return "the bench supply is off, and nobody here switched it off"
        for rail, output in self._rails.items():
            volts, before = float(supply.voltage(output).nominal_value), self._at_first.get(rail)
            if before is not None and not volts >= SAGGED * before:
                now, was = render(volts, "V", digits=3), render(before, "V", digits=3)
                return f"{rail} is at {now}, and was at {was} when the unit was powered"
        return ""

    def begin(self) -> None:
        """A step begins: what was seen before does not count against it."""
        self.told = ""

    def look(self, supply: Supply) -> None:
        """Ask the supply once for each rail; the first that limits is told."""
        for rail, output in self._rails.items():
            if not self.told and self._limits(supply, rail, output):
                given = supply.current_raw(output)
                amperes = render(given, "A", digits=3)
                volts = render(float(supply.voltage(output).nominal_value), "V", digits=3)
                rated = render(self._rated_v, "V", digits=3)
                self.told = (
                    f"the bench supply limits at {amperes}, {rail} is at {volts} of {rated}: "
                    f"{self._remedy(given)}"
                )

    def _remedy(self, given: float) -> str:
        """What to do about a supply that limits at so many amperes."""
        wanted = ENOUGH * self._rated_a
        if not math.isfinite(wanted):
            return "raise running_limit"
        if given >= wanted:
            return (
                "more than the unit draws at rated power "
                f"({render(self._rated_a, 'A', digits=3)}): raise nothing, look for what draws it"
            )
        if wanted > self._most_a:
            return (
                f"the unit wants {render(wanted, 'A', digits=3)} at rated power, and this supply "
                f"gives {render(self._most_a, 'A', digits=3)}: use a larger supply, or less power"
            )
        return (
            f"raise running_limit of the ramp_supply step to {render(wanted, 'A', digits=3)} "
            f'("{ENOUGH:g} * supply_at_rated_power")'
        )

    def _limits(self, supply: Supply, rail: str, output: int) -> bool:
        try:
            return supply.constant_current(output)
        except (NotMeasured, UsageError):  # it does not tell: then the rail itself does
            volts = float(supply.voltage(output).nominal_value)
            return not volts >= SAGGED * self._at_first.setdefault(rail, volts)
