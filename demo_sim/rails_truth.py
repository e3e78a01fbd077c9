"""The rails of a unit as they really are, and what feeds them."""

from __future__ import annotations

import math

import numpy as np

from demo_sim.powered import PoweredUnit
from demo_sim.rails import Rail


class RailsTruth:
    """Exact values of one world; see :class:`demo_sim.truth.Truth`. ``side`` is "pos" or "neg"."""

    _unit: PoweredUnit

    @property
    def rail_names(self) -> tuple[str, ...]:
        """The nodes of the rails that the unit has."""
        return ("rail.pos", "rail.neg") if self._unit.spec.split else ("rail.pos",)

    def rail(self, side: str) -> float:
        """Volts of a rail inside the unit, against its ground."""
        self._unit.operating()
        rails = self._unit.rails.rails
        return rails.pos if side == "pos" else rails.neg

    def supply_current(self, side: str = "pos") -> float:
        """A into a rail from the supply."""
        self._unit.operating()
        return self._rail(side).amps

    def supply_volts(self, side: str = "pos") -> float:
        """V across the supply's terminals that feed a rail; positive."""
        self._unit.operating()
        return self._rail(side).terminal_volts

    def bleeder_ohm(self) -> float:
        """Ω across each reservoir of a unit that is off."""
        return self._unit.spec.rails.bleeder_ohm

    def held_up(self, side: str, share: float) -> float:
        """Seconds for which a rail, left alone, stayed above a share of what it had; inf when it
        has not come down to it."""
        seconds, volts = np.array(self._rail(side).fall).T
        level = share * volts[0]
        if volts[-1] > level:
            return math.inf
        return float(np.interp(-level, -volts, seconds))

    def _rail(self, side: str) -> Rail:
        rails = self._unit.rails
        return rails.pos if side == "pos" else rails.neg
