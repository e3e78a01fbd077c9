"""The unit's own mains supply: a standby rail, and a main switching supply with ripple and whine.

It feeds the rails only where no bench supply does. The ripple stands at the switching frequency;
at light load the regulator skips pulses, which whines at an audible rate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.sections import Knobs
from demo_sim.amplifier.signal import Period
from demo_sim.amplifier.spec import AmplifierSpec
from demo_sim.rails import Source

Floats = NDArray[np.float64]

POINTS = 256
SWITCHING_HZ = 66e3
WHINE_HZ = 8.3e3
RIPPLE_V = 20e-3  # peak, on a rail
WHINE_V = 12e-3  # peak, at light load
STANDBY_RIPPLE_V = 8e-3
LIGHT_LOAD_A = 0.5  # below it pulses are skipped
SOURCE_OHM = 0.08


class OwnSupply:
    """What the unit makes of its mains plug."""

    def __init__(self, spec: AmplifierSpec) -> None:
        self._spec = spec
        turn = 2.0 * np.pi * np.arange(POINTS) / POINTS
        # The current into the reservoir ramps up and down: nearly a triangle.
        self._triangle = np.arcsin(np.sin(turn)) * 2.0 / np.pi
        self._sine = np.sin(turn)
        self._switching = Period(SWITCHING_HZ, 0.0, POINTS)
        self._whine = Period(WHINE_HZ, 0.0, POINTS)

    def source(self, knobs: Knobs) -> Source | None:
        """What feeds each rail; None in standby or with the plug out."""
        if not knobs.mains or knobs.standby:
            return None
        spec = self._spec
        peak = (2.0 * spec.rated_power / spec.rated_load) ** 0.5
        legs = sum(len(channel.sides) for channel in spec.channels)
        limit = 1.6 * legs * peak / np.pi + 0.5
        return Source(1.02 * spec.rail_voltage, float(limit), SOURCE_OHM)

    def standby_volts(self, knobs: Knobs) -> float:
        """Of the standby rail, which lives as long as the plug is in."""
        return (self._spec.standby_v or 0.0) if knobs.mains else 0.0

    def standby_ripple(self) -> tuple[tuple[Period, Floats], ...]:
        return ((self._switching, STANDBY_RIPPLE_V * self._triangle),)

    def rail_ripple(self, amps: float) -> tuple[tuple[Period, Floats], ...]:
        """Ripple on a rail, and whine at light load."""
        ripple = (self._switching, RIPPLE_V * self._triangle)
        if amps >= LIGHT_LOAD_A:
            return (ripple,)
        return (ripple, (self._whine, WHINE_V * (1.0 - amps / LIGHT_LOAD_A) * self._sine))
