"""What a reading was made under, as far as the readings of its run tell it.

Two readings of one quantity are alike only when the unit was in the same state: an idle current
when cold and one after half an hour of power are two things, and so are the rise of a heatsink at
rest and driven. A run's readings tell it in their order, by what they are of and never by the names
that an author gave to steps: a soak reads the sink's rise, and the power that it was driven with
when it was; power held for minutes is read as held power.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from seqrun.values import Heat, Judged

#: frequencies, powers and levels further apart than this share are two conditions; our own rule
ALIKE = 0.1
_NUMBER = re.compile(r"(\d+(?:\.\d+)?) (k?Hz|V|W)\b")


@dataclass(frozen=True, slots=True)
class Condition:
    """Heat, what the reading's step is about, and the frequency, power or level that it names."""

    heat: Heat
    about: str  # quantity that the step reads first, or holds against a limit
    at: tuple[tuple[float, str], ...] = ()

    @property
    def text(self) -> str:
        """The same as a text, for grouping: numbers to two digits, levels left out."""
        numbers = (f"{value:.2g} {unit}" for value, unit in self.at if unit != "V")
        return ", ".join([self.heat.value, self.about, *numbers])

    def alike(self, other: Condition) -> bool:
        """Whether two readings of one quantity under these may be held against each other. One
        that names no frequency, power or level, as one that could not be made, contradicts none."""
        if (self.heat, self.about) != (other.heat, other.about):
            return False
        if not self.at or not other.at:
            return True
        if [unit for _, unit in self.at] != [unit for _, unit in other.at]:
            return False
        pairs = zip(self.at, other.at, strict=True)
        return all(math.isclose(a, b, rel_tol=ALIKE) for (a, _), (b, _) in pairs)


def conditions(judged: Sequence[Judged]) -> list[Condition]:
    """The condition of every reading of a run, which are given whole and in their order."""
    heat = Heat.COLD
    found: list[Condition] = []
    for _, group in groupby(judged, key=lambda j: j.step):
        readings = list(group)
        quantities = {j.quantity for j in readings}
        heat = heat_after(quantities, heat)
        about = next((j.quantity for j in readings if j.limit is not None), readings[0].quantity)
        found += [Condition(heat, about, _at(j)) for j in readings]
    return found


def heat_after(quantities: set[str], before: Heat) -> Heat:
    """Heat during and after a step that reads these."""
    if {"sink_rise", "dissipation"} & quantities:
        driven = "soak_power" in quantities or before is Heat.DRIVEN
        return Heat.DRIVEN if driven else Heat.RESTED
    if {"held_power", "held_sink_temperature"} & quantities and before is not Heat.DRIVEN:
        return Heat.WARM
    return before


def _at(judged: Judged) -> tuple[tuple[float, str], ...]:
    """Frequency, power and level in a reading's note."""
    if judged.value is None:
        return ()
    found = _NUMBER.findall(judged.note)
    return tuple((1e3 * float(n), "Hz") if unit == "kHz" else (float(n), unit) for n, unit in found)
