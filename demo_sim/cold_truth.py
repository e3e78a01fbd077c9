"""What the current of a unit would do if one case were colder, as it really is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_sim.powered import PoweredUnit


class ColdTruth:
    """Exact values of one world; see :class:`demo_sim.truth.Truth`."""

    _unit: PoweredUnit

    def cooling_falls(self, kelvins: float) -> dict[str, float]:
        """A by which the current of all rails falls when the case of a device (or of an integrated
        stage) and what is in it are so much colder, by the name of the case; all else as it is."""
        unit = self._unit
        names, joined = unit.heat.network.names, unit.heat.network.conductance
        before = self._drawn(unit.heat.rise_k)
        falls = {}
        for case, name in enumerate(names):
            if not name.startswith("case."):
                continue
            colder = unit.heat.rise_k.copy()
            colder[case] -= kelvins
            for junction, other in enumerate(names):
                if other.startswith("junction.") and joined[case, junction]:
                    colder[junction] -= kelvins
            falls[name.removeprefix("case.")] = before - self._drawn(colder)
        unit.changed()
        return falls

    def _drawn(self, rise_k: NDArray[np.float64]) -> float:
        """A of all rails with the unit as warm as told."""
        self._unit.changed()
        self._unit.power(rise_k)
        rails = self._unit.rails
        return rails.pos.draw_a + (rails.neg.draw_a if rails.split else 0.0)
