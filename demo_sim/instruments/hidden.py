"""The hidden error of an instrument: what it does wrong, always, within its specification.

Every (function, range) has one gain error and one offset error for the life of the bench, drawn
uniformly within ± the table's entry (JCGM 100:2008, 4.3.7, is the assumption that a user of the
data sheet makes; here it is true by construction). Each is drawn from a stream of its own name, so
neither the order of use nor another instrument changes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from demo_sim.instruments.specifications import Accuracy


class Streams(Protocol):
    """Where named random streams come from; the world is one."""

    def rng(self, name: str) -> np.random.Generator: ...


@dataclass(frozen=True, slots=True)
class HiddenError:
    """reading = true · (1 + gain) + offset; offset in the function's unit."""

    gain: float
    offset: float

    def apply(self, value: float) -> float:
        return value * (1.0 + self.gain) + self.offset


class HiddenErrors:
    """The errors of one instrument, drawn when first used and kept."""

    def __init__(self, streams: Streams, instrument: str) -> None:
        self._streams = streams
        self._instrument = instrument
        self._drawn: dict[str, HiddenError] = {}
        self._units: dict[str, float] = {}

    def of(self, entry: Accuracy, place: str = "") -> HiddenError:
        """The error on this entry's range; ``place`` tells channels or ranges apart."""
        name = f"{self._instrument}.hidden.{entry.function}.{entry.full_scale:g}.{place}"
        if name not in self._drawn:
            gain, offset = self._streams.rng(name).uniform(-1.0, 1.0, 2)
            self._drawn[name] = HiddenError(
                float(gain) * entry.of_reading, float(offset) * entry.offset
            )
        return self._drawn[name]

    def within(self, half_width: float, name: str) -> float:
        """One number within ± half_width, for a specification that is not a table entry."""
        full_name = f"{self._instrument}.hidden.{name}"
        if full_name not in self._units:
            self._units[full_name] = float(self._streams.rng(full_name).uniform(-1.0, 1.0))
        return self._units[full_name] * half_width
