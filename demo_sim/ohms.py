"""Resistances between the unit's nodes: what a meter's own current finds, unpowered."""

from __future__ import annotations

import math
from collections.abc import Mapping

from demo_sim.amplifier.spec import HALVES
from demo_sim.bench_parts import BenchSpec, SensorSpec
from demo_sim.dirt import Dirt
from demo_sim.held_probe import HeldProbe
from demo_sim.instruments.temperature import platinum_resistance
from demo_sim.powered import PoweredUnit
from demo_sim.wiring import ENDS, GROUND, Hookup, ballast_node, leg_label, output_ballast_node

UNPOWERED_OUTPUT_OHM = 10e3  # feedback network, relay closed


class Ohms:
    """``warmth`` is the fraction of resistance that each load has gained."""

    def __init__(
        self,
        unit: PoweredUnit,
        bench: BenchSpec,
        hookup: Hookup,
        dirt: Dirt,
        warmth: Mapping[str, float],
        probe: HeldProbe,
    ) -> None:
        self._unit = unit
        self._bench = bench
        self._hookup = hookup
        self._dirt = dirt
        self._load_warmth = warmth
        self._probe = probe

    def between(self, hi: str, lo: str) -> float:
        """Ω, no lead resistance; inf when open."""
        if hi == lo:
            return 0.0
        pair = {hi, lo}
        conductance = sum(1.0 / ohm for ends, ohm in self._resistors() if ends == pair)
        return 1.0 / conductance if conductance > 0.0 else math.inf

    def _resistors(self) -> list[tuple[set[str], float]]:
        spec = self._unit.spec
        found: list[tuple[set[str], float]] = []
        for sensor, part in (
            ("sink", self._bench.sink_sensor),
            ("ambient", self._bench.ambient_sensor),
            ("probe", self._bench.probe_sensor),
        ):
            ends = {f"sensor.{sensor}.hot", f"sensor.{sensor}.cold"}
            found.append((ends, platinum_resistance(self._sensed(sensor, part))))
        for name, load in self._bench.loads.items():
            one, other = (
                self._hookup.node_of(f"load.{name}.1"),
                self._hookup.node_of(f"load.{name}.2"),
            )
            if one is not None and other is not None:
                found.append(({one, other}, load.ohm * (1.0 + self._load_warmth[name])))
        for number, channel in enumerate(spec.channels):
            found.append(({f"in.{channel.name}", GROUND}, channel.input_ohm))
            if self._unit.relays[number].closed:
                outputs = (f"out.{leg_label(channel.name, side)}" for side in channel.sides)
                found += [({node, GROUND}, UNPOWERED_OUTPUT_OHM) for node in outputs]
            for leg in channel.legs:
                for half in HALVES:
                    for n, device in leg.numbered(half):
                        ends = {ballast_node(channel.name, leg.side, half, n, e) for e in ENDS}
                        found.append((ends, device.ballast_ohm))
                if leg.stage:
                    ends = {output_ballast_node(channel.name, leg.side, leg.stage, e) for e in ENDS}
                    found.append((ends, leg.output_ohm))
        for rail in ("rail.pos", "rail.neg")[: 2 if spec.split else 1]:
            found.append(({rail, GROUND}, spec.rails.bleeder_ohm))
        return found

    def _sensed(self, sensor: str, part: SensorSpec) -> float:
        """°C that a sensor's resistance stands for, its own error included."""
        ambient = self._unit.ambient_c
        true = ambient
        if sensor == "sink":
            off = 1.0 - (1.0 - part.off) * (1.0 - self._dirt.sensor_off)
            true += (1.0 - off) * (self._unit.temperature_c("sink") - ambient)
        elif sensor == "probe":
            true = self._probe.look()
        return true + part.error_k + part.slope * true
