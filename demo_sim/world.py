"""The world on the bench: one amplifier, its heat, its wiring, one clock.

Instruments reach it through the methods below and through nothing else; what it really is, it
tells only to ``World.truth``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from demo_sim.ports import Drive, OutputSetting, SupplyState

Floats = NDArray[np.float64]


class World:
    """One unit on one bench."""

    def __init__(
        self,
        unit: Mapping[str, object] | None = None,
        faults: Sequence[str] = (),
        seed: int = 1,
        real_time: bool = False,
    ) -> None: ...

    # --- time ---
    @property
    def now(self) -> float:
        """Bench seconds."""
        raise NotImplementedError

    @property
    def virtual(self) -> bool:
        """True when time passes only by ``advance``."""
        raise NotImplementedError

    def advance(self, seconds: float) -> None:
        """Let bench time pass; heat, rails and relays follow. In real time it really waits."""
        raise NotImplementedError

    def catch_up(self) -> None:
        """Bring heat, rails and relays to the clock (real time; nothing to do in virtual time)."""
        raise NotImplementedError

    # --- hookup ---
    def connect(self, terminal: str, node: str) -> None:
        """Put a lead on a node; it leaves the one it was on. Unknown names: DemoError."""
        raise NotImplementedError

    def disconnect(self, terminal: str) -> None:
        """Take a lead off; nothing happens when it was off."""
        raise NotImplementedError

    def node_of(self, terminal: str) -> str | None:
        """Where a lead is, None when it hangs free."""
        raise NotImplementedError

    def nodes(self) -> list[str]:
        """Every node that the unit has."""
        raise NotImplementedError

    def terminals(self) -> list[str]:
        """Every terminal that has been connected, or belongs to a load."""
        raise NotImplementedError

    def probe_fitted(self, terminal: str, declared: float) -> float:
        """Attenuation of the probe that is really on a scope terminal ("scope.1")."""
        raise NotImplementedError

    # --- what instruments do to the unit ---
    def set_supply(self, key: str, output: int, setting: OutputSetting) -> None:
        """What output ``output`` of supply ``key`` would do from now on."""
        raise NotImplementedError

    def supply_state(self, key: str, output: int) -> SupplyState:
        """Terminal values of that output now."""
        raise NotImplementedError

    def set_drive(self, terminal: str, drive: Drive | None) -> None:
        """What a generator output ("generator.1") would do from now on; None is off."""
        raise NotImplementedError

    def set_setting(self, name: str, value: str | float | bool) -> None:
        """A knob, switch or plug of the unit. Unknown names or values: DemoError."""
        raise NotImplementedError

    @property
    def settings(self) -> Mapping[str, str | float | bool]:
        """Knobs, switches and plugs as they stand."""
        raise NotImplementedError

    # --- what instruments see ---
    def voltage(self, hi: str | None, lo: str | None, t: Floats) -> Floats:
        """v(hi) − v(lo) at uniformly spaced bench times ``t`` (s); V, same shape as ``t``.

        Equal arguments give equal answers, noise included. A floating lead sees stray hum.
        """
        raise NotImplementedError

    def dc_voltage(self, hi: str | None, lo: str | None, start_s: float, aperture_s: float) -> float:
        """Mean of v(hi) − v(lo) over the aperture, V, with the noise that survives averaging."""
        raise NotImplementedError

    def resistance(self, hi: str | None, lo: str | None) -> float:
        """Ω between two nodes, unpowered paths and sensors; inf when open. No lead resistance."""
        raise NotImplementedError

    def rng(self, name: str) -> np.random.Generator:
        """A random stream that depends on the seed and the name alone."""
        raise NotImplementedError
