"""Something cold that a hand holds on the case of one device: no two times alike."""

from __future__ import annotations

from dataclasses import dataclass

from demo_sim.noise import stream
from demo_sim.powered import PoweredUnit
from demo_sim.wiring import Hookup

COOLER = "cooler"
TOUCH_K_PER_W = 1.0  # from a flat case through a film into metal that is pressed on (from memory)
UNLIKE = 0.2  # how far one time differs from the other, of that, ±


@dataclass(slots=True)
class HeldCold:
    """Where it is held."""

    unit: PoweredUnit
    hookup: Hookup
    seed: int
    _put: int = 0

    def put(self) -> None:
        """It has been put somewhere, or taken away."""
        node = self.hookup.node_of(COOLER)
        if node is None or not node.startswith("case."):
            self.unit.chill(None)
            return
        self._put += 1
        hand = float(stream(self.seed, f"cold.{self._put}").uniform(-UNLIKE, UNLIKE))
        self.unit.chill(node, TOUCH_K_PER_W * (1.0 + hand))
