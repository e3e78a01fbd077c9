"""Which supply output feeds which rail, and what its terminals show for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_sim.amplifier.signal import Period
from demo_sim.front import Front
from demo_sim.own_supply import OwnSupply
from demo_sim.ports import OutputSetting, SupplyState
from demo_sim.powered import PoweredUnit
from demo_sim.rails import Rail, Source
from demo_sim.wiring import GROUND, Hookup

Floats = NDArray[np.float64]

REVERSE_DIODE_V = 0.8  # across each rail, against reversed supply leads


class Feeding:
    """The rails of one unit, between bench supplies and its own."""

    def __init__(self, unit: PoweredUnit, hookup: Hookup, front: Front) -> None:
        self._unit = unit
        self._hookup = hookup
        self._front = front
        self.own = OwnSupply(unit.spec)
        self._settings: dict[tuple[str, int], OutputSetting] = {}
        self._states: dict[tuple[str, int], tuple[object, int, SupplyState]] = {}
        self._feeds: dict[tuple[str, int], str] = {}
        self._own_sides: set[str] = set()

    def set(self, key: str, output: int, setting: OutputSetting) -> None:
        """What an output would do from now on."""
        if self._settings.get((key, output)) != setting:
            self._settings[key, output] = setting
            self.refeed()

    def _where(self, node: str | None) -> str | None:
        """A supply lead's node, through a meter in series where there is one."""
        if node is None or not node.startswith("link."):
            return node
        amps, lo = self._hookup.node_of("meter.amps"), self._hookup.node_of("meter.lo")
        rail = node.removeprefix("link.")
        return rail if {amps, lo} == {node, rail} else None

    def refeed(self) -> None:
        """Work out which output feeds which rail, in what sense."""
        self._feeds = {}
        self._states = {}
        best: dict[str, tuple[float, Source]] = {}
        for (key, output), setting in sorted(self._settings.items()):
            pos = self._where(self._hookup.node_of(f"{key}.{output}.pos"))
            neg = self._where(self._hookup.node_of(f"{key}.{output}.neg"))
            use = {
                ("rail.pos", GROUND): "pos",
                (GROUND, "rail.neg"): "neg",
                ("rail.pos", "rail.neg"): "both",
                (GROUND, "rail.pos"): "reversed",
                ("rail.neg", GROUND): "reversed",
                ("rail.neg", "rail.pos"): "reversed",
            }.get((pos or "", neg or ""), "short" if pos is not None and pos == neg else "open")
            self._feeds[key, output] = use
            if not setting.on or use not in ("pos", "neg", "both"):
                continue
            share = 0.5 if use == "both" else 1.0
            source = Source(setting.volts * share, setting.limit_a, setting.source_ohm * share)
            for side in ("pos", "neg") if use == "both" else (use,):
                if side not in best or source.volts > best[side][0]:
                    best[side] = (source.volts, source)
        own = self.own.source(self._front.knobs)
        self._own_sides = {side for side in ("pos", "neg") if own is not None and side not in best}
        if own is not None:
            best |= dict.fromkeys(self._own_sides, (own.volts, own))
        self._unit.feed(
            best["pos"][1] if "pos" in best else None, best["neg"][1] if "neg" in best else None
        )

    def state(self, key: str, output: int) -> SupplyState:
        """Terminal values of that output now."""
        point, epoch = self._unit.operating(), self._unit.epoch
        kept = self._states.get((key, output))
        if kept is None or kept[0] is not point or kept[1] != epoch:
            kept = (point, epoch, self._state(key, output))
            self._states[key, output] = kept
        return kept[2]

    def _state(self, key: str, output: int) -> SupplyState:
        setting = self._settings.get((key, output), OutputSetting(0.0, 0.0, False))
        use = self._feeds.get((key, output), "open")
        if use in ("pos", "neg", "both"):
            rails = [
                getattr(self._unit.rails, side) for side in ("pos", "neg") if use in (side, "both")
            ]
            return self._rail_state(setting, rails)
        if not setting.on:
            return SupplyState(0.0, 0.0, False)
        if use == "open":
            return SupplyState(setting.volts, 0.0, False)
        held = REVERSE_DIODE_V if use == "reversed" else 0.0
        if setting.volts <= held:
            return SupplyState(setting.volts, 0.0, False)
        return SupplyState(held, setting.limit_a, True)

    def _rail_state(self, setting: OutputSetting, rails: list[Rail]) -> SupplyState:
        volts = sum(rail.terminal_volts for rail in rails)
        if not setting.on:
            return SupplyState(volts, 0.0, False)
        amps = max(rail.amps for rail in rails)
        return SupplyState(volts, amps, any(rail.limited for rail in rails))

    def ripple(self, side: str) -> float:
        """V rms on a rail."""
        for (key, output), use in self._feeds.items():
            if use in (side, "both") and self._settings[key, output].on:
                return self._settings[key, output].ripple_v_rms
        return 0.0

    def current_through(self, terminal_a: str, terminal_b: str) -> float:
        """A flowing in at ``terminal_a`` and out at ``terminal_b``, a meter in series with a rail.

        0 where the two do not stand between a supply and a rail.
        """
        a, b = self._hookup.node_of(terminal_a), self._hookup.node_of(terminal_b)
        for rail, side, sign in (("rail.pos", "pos", 1.0), ("rail.neg", "neg", -1.0)):
            if {a, b} == {rail, f"link.{rail}"}:
                self._unit.operating()
                amps: float = getattr(self._unit.rails, side).amps
                # Into rail.pos from its supply; out of rail.neg towards its supply.
                return sign * amps if b == rail else -sign * amps
        return 0.0

    def own_ripple(self, side: str) -> tuple[tuple[Period, Floats], ...]:
        if side not in self._own_sides:
            return ()
        rail: Rail = getattr(self._unit.rails, side)
        return self.own.rail_ripple(rail.amps)
