"""What stands on the bench around the unit, as far as a mistake can change it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np

from demo_sim.amplifier.spec import AmplifierSpec
from demo_sim.wiring import Load


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """A Pt100, 4-wire: 0 °C error in K and slope error as a fraction, within its class.

    ``off`` 0…1: how far it has come off what it should measure, towards the air.
    """

    error_k: float = 0.0
    slope: float = 0.0
    off: float = 0.0


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """Unit, loads, sensors and mistakes: what a fault changes."""

    amplifier: AmplifierSpec
    loads: dict[str, Load]
    sink_sensor: SensorSpec = field(default_factory=SensorSpec)
    ambient_sensor: SensorSpec = field(default_factory=SensorSpec)
    probe_sensor: SensorSpec = field(default_factory=SensorSpec)  # the one that is moved
    meter_swapped: bool = False
    probe_one_to_one: frozenset[str] = frozenset()  # scope terminals with the wrong probe

    @classmethod
    def around(cls, amplifier: AmplifierSpec, rng: np.random.Generator) -> Self:
        """One load per channel, measured to 0.5 %, and three class B sensors."""
        loads = {}
        for channel in amplifier.channels:
            stated = round(amplifier.rated_load * (1.0 + 0.01 * float(rng.uniform(-1, 1))), 3)
            loads[channel.name] = Load(
                name=channel.name,
                ohm=stated * (1.0 + 0.005 * float(rng.uniform(-1, 1))),
                stated_ohm=stated,
                tolerance=0.005,
                power_w=max(100.0, 2.0 * amplifier.rated_power),
            )
        # IEC 60751 class B, ±(0.30 + 0.005 t) K: each sensor takes one share of it at any t.
        sink, ambient, probe = (
            SensorSpec(0.30 * share, 0.005 * share) for share in rng.uniform(-1, 1, 3).tolist()
        )
        return cls(amplifier, loads, sink, ambient, probe)

    def with_load(self, name: str, ohm: float) -> Self:
        """With one load of another true resistance; its label stays."""
        return replace(self, loads={**self.loads, name: replace(self.loads[name], ohm=ohm)})
