"""A circuit small enough to work out by hand, in place of the world."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from demo_sim.noise import Sinusoid
from demo_sim.ports import Drive, OutputSetting, SupplyState

Floats = NDArray[np.float64]


@dataclass
class Circuit:
    """Nodes with given voltages, resistors between pairs, one load resistor per supply output."""

    seed: int = 1
    now: float = 0.0
    virtual: bool = True
    leads: dict[str, str] = field(default_factory=dict)
    volts: dict[str, Callable[[Floats], Floats]] = field(default_factory=dict)
    ohms: dict[frozenset[str], float] = field(default_factory=dict)
    loads: dict[int, float] = field(default_factory=dict)
    supply: dict[int, OutputSetting] = field(default_factory=dict)
    supply_history: list[tuple[float, int, float]] = field(default_factory=list)
    drives: dict[str, Drive | None] = field(default_factory=dict)
    series: dict[tuple[str | None, str | None], float] = field(default_factory=dict)
    fitted: dict[str, float] = field(default_factory=dict)
    watchers: list[Callable[[float], float]] = field(default_factory=list)

    def advance(self, seconds: float) -> None:
        assert seconds >= 0.0
        end = self.now + seconds
        while True:
            patience = min((look(self.now) for look in self.watchers), default=math.inf)
            if self.now >= end:
                break
            self.now = min(end, self.now + patience)

    def watch(self, look: Callable[[float], float]) -> None:
        self.watchers.append(look)

    def look(self) -> None:
        for look in self.watchers:
            look(self.now)

    def catch_up(self) -> None:
        pass

    def rng(self, name: str) -> np.random.Generator:
        return np.random.default_rng([self.seed, zlib.crc32(name.encode())])

    def node_of(self, terminal: str) -> str | None:
        return self.leads.get(terminal)

    def set_supply(self, key: str, output: int, setting: OutputSetting) -> None:
        self.supply[output] = setting
        self.supply_history.append((self.now, output, setting.volts))

    def supply_state(self, key: str, output: int) -> SupplyState:
        setting = self.supply[output]
        if not setting.on:
            return SupplyState(0.0, 0.0, False)
        load = self.loads.get(output, math.inf)
        if setting.volts / load > setting.limit_a:
            return SupplyState(setting.limit_a * load, setting.limit_a, True)
        return SupplyState(setting.volts, setting.volts / load, False)

    def set_drive(self, terminal: str, drive: Drive | None) -> None:
        self.drives[terminal] = drive

    def voltage(self, hi: str | None, lo: str | None, t: Floats) -> Floats:
        return self._node(hi, t) - self._node(lo, t)

    def _node(self, node: str | None, t: Floats) -> Floats:
        source = self.volts.get(node) if node is not None else None
        return np.zeros_like(t) if source is None else source(t)

    def dc_voltage(
        self, hi: str | None, lo: str | None, start_s: float, aperture_s: float
    ) -> float:
        t = start_s + (np.arange(4000) + 0.5) * (aperture_s / 4000)
        return float(np.mean(self.voltage(hi, lo, t)))

    def resistance(self, hi: str | None, lo: str | None) -> float:
        if hi is None or lo is None:
            return math.inf
        return 0.0 if hi == lo else self.ohms.get(frozenset((hi, lo)), math.inf)

    def current_through(self, terminal_a: str, terminal_b: str) -> float:
        return self.series.get((self.node_of(terminal_a), self.node_of(terminal_b)), 0.0)

    def probe_fitted(self, terminal: str, declared: float) -> float:
        return self.fitted.get(terminal, declared)

    def restless(self, seconds: float) -> bool:
        return False

    def running_down(self) -> bool:
        return False

    def relay_moves_in(self) -> float:
        return math.inf

    def probe_errors(self, terminal: str) -> tuple[float, float]:
        return 0.0, 0.0

    def probe_noise(self, terminal: str) -> float:
        return 0.0

    def emf(self, terminal: str) -> float:
        return 0.0

    def pickup(self, terminal: str) -> Sinusoid | None:
        return None

    def lead_ohm(self, terminal: str) -> float:
        return 0.0


@pytest.fixture
def circuit() -> Circuit:
    return Circuit(leads={f"supply.{n}.pos": "rail" for n in (1, 2)})


@pytest.fixture
def circuit_of_seed() -> Callable[[int], Circuit]:
    return lambda seed: Circuit(seed=seed)
