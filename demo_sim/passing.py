"""What comes and goes at a channel's output as the unit stands now.

``demo_sim.amplifier.passing`` says how each of these behaves; here is when it may: relay, warmth,
load.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from demo_sim import noise
from demo_sim.amplifier.passing import Intermittent, Oscillation
from demo_sim.amplifier.relay import Relay
from demo_sim.amplifier.spec import NoiseSpec
from demo_sim.powered import PoweredUnit

Floats = NDArray[np.float64]
LINE_HZ = 50.0
BOUNCE_S = 0.04  # from one bounce of a contact to the next
LEAST_S = 1e-9  # of a load: less is none


class Passing:
    """Of one unit; random ones depend on the seed and bench time alone."""

    def __init__(self, unit: PoweredUnit, seed: int) -> None:
        self._unit = unit
        self._seed = seed
        self._bursts = {
            f"{kind}.{c.name}": noise.Bursts(seed, f"{kind}.{c.name}")
            for c in unit.spec.channels
            for kind in ("burst", "crackle")
        }
        # Whether a capacitor stands across a channel's output.
        self.capacitive: Callable[[str], bool] = lambda channel: False

    def through_relay(self, channel: str, t: Floats, values: Floats) -> None:
        """Nothing from before the relay closed, or while its contact lets go; in place."""
        relay = self._relay(channel)
        if float(t[0]) < relay.closed_since:
            values[t < relay.closed_since] = 0.0
        closed_s = t - relay.closed_since
        if float(t[0]) < relay.closed_since + relay.spec.bounce_s:
            away = np.mod(closed_s, BOUNCE_S) > 0.5 * BOUNCE_S
            values[away & (closed_s < relay.spec.bounce_s)] = 0.0
        if self._warm(relay.spec.contact):
            left = relay.spec.contact.left(self._seed, f"contact.{channel}", t)
            if left is not None:
                values *= left

    def on_signal(
        self, channel: str, t: Floats, swing: Floats, added: float = 1.0, terminals: int = 1
    ) -> None:
        """What a bad contact takes from the signal, and what the stage adds to it, in place.

        ``added``, ``terminals``: as a :class:`~demo_sim.node_signal.NodeSignal` has them.
        """
        spec = self._unit.spec.channel(channel)
        if self._warm(spec.contact):
            left = spec.contact.left(self._seed, f"path.{channel}", t)
            if left is not None:
                swing *= left
        if spec.wander:
            swing *= 1.0 + spec.wander * np.sin(2.0 * np.pi * t / spec.wander_s)
        if not added:
            return
        if spec.ground_v:
            gone = spec.ground.left(self._seed, f"ground.{channel}", t)
            if gone is not None:
                hum = np.sin(2.0 * np.pi * LINE_HZ * t)
                swing += added * (1.0 - gone) * spec.ground_v * hum
        if spec.kick_v:
            gone = spec.kick.left(self._seed, f"kick.{channel}", t)
            if gone is not None:
                swing += added * (1.0 - gone) * spec.kick_v
        if spec.oscillation.peak_v and self._unstable(channel, spec.oscillation):
            swing += added * spec.oscillation.at(t, swing / (added * terminals))
        if spec.thump.on_v:
            swing += added * spec.thump.on(t, self._relay(channel).closed_since)

    def mean_through_relay(
        self, channel: str, mean: float, start_s: float, seconds: float, added: float = 1.0
    ) -> float:
        """What is left of a mean over a stretch of time, V; ``added`` as for :meth:`on_signal`."""
        relay = self._relay(channel)
        since = relay.closed_since
        mean *= min(1.0, max(0.0, (start_s + seconds - since) / seconds))
        spec = self._unit.spec.channel(channel)
        if spec.thump.on_v:
            mean += added * spec.thump.on_mean(start_s, seconds, since)
        if spec.kick_v:
            name = f"kick.{channel}"
            lost = spec.kick.lost_share(self._seed, name, start_s, seconds)
            mean += added * spec.kick_v * lost
        if self._warm(relay.spec.contact):
            name = f"contact.{channel}"
            mean *= 1.0 - relay.spec.contact.lost_share(self._seed, name, start_s, seconds)
        return mean

    def bursting(self, channel: str) -> bool:
        """Whether a channel bursts or crackles at all."""
        spec = self._unit.spec.channel(channel).noise
        return bool(spec.burst_v or spec.crackle_v)

    def bursts(self, channel: str, t: Floats) -> Floats:
        """Bursts and crackles of a channel, V at its output at times ``t``."""
        spec = self._unit.spec.channel(channel).noise
        total = np.zeros(t.size)
        if spec.burst_v:
            warm = self._unit.temperature_c("sink") - 25.0
            rate = spec.burst_rate_hz * 2.0 ** (warm / spec.burst_warming_k)
            total += self._bursts[f"burst.{channel}"].at(t, spec.burst_v, rate)
        if spec.crackle_v and self._crackles(channel, spec):
            rate = 1.0 / spec.crackle_every_s
            total += self._bursts[f"crackle.{channel}"].at(t, spec.crackle_v, rate)
        return total

    def _crackles(self, channel: str, spec: NoiseSpec) -> bool:
        """Whether a joint that crackles does so as warm, and as driven, as it is now."""
        driven = self._unit.inputs[channel].period is not None
        if spec.crackle_when != "always" and driven != (spec.crackle_when == "driven"):
            return False
        return spec.crackle_above_c < self._unit.temperature_c("sink") < spec.crackle_below_c

    def openings(self, channel: str, start_s: float, end_s: float) -> list[tuple[float, float]]:
        """(begin, end) of every moment at which contacts interrupt a channel's signal."""
        spec = self._unit.spec.channel(channel)
        found: list[tuple[float, float]] = []
        for name, contact in (("contact", spec.relay.contact), ("path", spec.contact)):
            if self._warm(contact):
                found += contact.openings(self._seed, f"{name}.{channel}", start_s, end_s)
        return sorted(found)

    def _relay(self, channel: str) -> Relay:
        return self._unit.relays[self._unit.spec.channel_names.index(channel)]

    def _warm(self, contact: Intermittent) -> bool:
        if not math.isfinite(contact.every_s):
            return False
        return contact.above_c < self._unit.temperature_c("sink") < contact.below_c

    def _unstable(self, channel: str, oscillation: Oscillation) -> bool:
        """Whether the load is such that the stage oscillates."""
        if oscillation.when == "always":
            return True
        if oscillation.when == "capacitive":
            return self.capacitive(channel)
        number = self._unit.spec.channel_names.index(channel)
        electrics = self._unit.electrics
        # What circulates between stages in parallel is no load: summed over them it is nothing.
        legs = [
            i
            for i, (c, leg) in enumerate(zip(electrics.channel_of, electrics.legs, strict=True))
            if c == number and leg.side == electrics.legs[electrics.channel_of.index(number)].side
        ]
        into_load = self._unit.joined.admittance[legs].sum(axis=0)
        loaded = bool(np.abs(into_load).max() > LEAST_S)
        return loaded == (oscillation.when == "loaded")
