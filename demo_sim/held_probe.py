"""The temperature probe that is moved from place to place: it lags, and never touches as well as
before."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from demo_sim.bench_parts import SensorSpec
from demo_sim.dirt import Dirt
from demo_sim.powered import PoweredUnit
from demo_sim.wiring import Hookup

PROBE = "sensor.probe"
LAG_S = 3.0  # of a small platinum element under a clip (from memory)
SEEN_EVERY_S = 1.0  # the place moves on by so much between two looks at it


@dataclass(slots=True)
class HeldProbe:
    """Where the probe is held, and how warm it has become."""

    unit: PoweredUnit
    hookup: Hookup
    part: SensorSpec
    dirt: Dirt
    _celsius: float = math.nan
    _seen_s: float = 0.0
    _node: str | None = None
    _put: int = 0
    _loses: float = field(default=0.0)

    def moved(self) -> None:
        """It has been taken off, or put somewhere: it touches there as it happens to."""
        self.look()
        self._node = self.hookup.node_of(PROBE)
        self._put += 1
        self._loses = 1.0 - (1.0 - self.part.off) * (1.0 - self.dirt.touch(self._put))

    def look(self) -> float:
        """°C of the element now; called as time passes, so that it follows what it touches."""
        now, there = self.unit.now, self._place_c()
        if math.isnan(self._celsius):
            self._celsius = self.unit.ambient_c
        self._celsius = there + (self._celsius - there) * math.exp((self._seen_s - now) / LAG_S)
        self._seen_s = now
        return self._celsius

    def _place_c(self) -> float:
        ambient = self.unit.ambient_c
        if self._node is None:
            return ambient
        return ambient + (1.0 - self._loses) * (self.unit.temperature_c(self._node) - ambient)
