"""What an instrument sees of the world: its leads, the sources it drives, and time.

The world is the one real implementation; tests of a single instrument use a circuit small enough
to work out by hand. Times in seconds of bench time, volts, amperes, ohms.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from demo_sim.noise import Sinusoid
from demo_sim.ports import Drive, OutputSetting, SupplyState


class Surroundings(Protocol):
    """The part of the world that instruments may touch."""

    @property
    def now(self) -> float: ...

    @property
    def virtual(self) -> bool: ...

    def catch_up(self) -> None: ...

    def advance(self, dt: float) -> None: ...

    def watch(self, look: Callable[[float], float]) -> None: ...

    def rng(self, name: str) -> np.random.Generator: ...

    def node_of(self, terminal: str) -> str | None: ...

    def set_supply(self, key: str, output: int, setting: OutputSetting) -> None: ...

    def supply_state(self, key: str, output: int) -> SupplyState: ...

    def set_drive(self, terminal: str, drive: Drive | None) -> None: ...

    def voltage(
        self, hi: str | None, lo: str | None, t: NDArray[np.float64]
    ) -> NDArray[np.float64]: ...

    def dc_voltage(
        self, hi: str | None, lo: str | None, start_s: float, aperture_s: float
    ) -> float: ...

    def resistance(self, hi: str | None, lo: str | None) -> float: ...

    def current_through(self, terminal_a: str, terminal_b: str) -> float: ...

    def probe_fitted(self, terminal: str, declared: float) -> float: ...

    def probe_noise(self, terminal: str) -> float: ...

    def emf(self, terminal: str) -> float: ...

    def pickup(self, terminal: str) -> Sinusoid | None: ...

    def lead_ohm(self, terminal: str) -> float: ...
