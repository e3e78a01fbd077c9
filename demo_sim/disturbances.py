"""What disturbs the unit's nodes, by name: white and flicker noise, hum, ripple, bursts, pick-up.

A name is a kind and what it belongs to: ``amplifier.left.0``, ``slow.left``, ``generator.…``,
``section.…``, ``ripple.pos``, ``stray``. A node carries each with a factor of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from demo_sim import noise
from demo_sim.amplifier.spec import NoiseSpec
from demo_sim.dirt import Dirt
from demo_sim.passing import Passing
from demo_sim.powered import PoweredUnit

Floats = NDArray[np.float64]

AUDIO_BANDWIDTH_HZ = 22e3
SUPPLY_BANDWIDTH_HZ = 20e6
STRAY_V = 0.02  # peak of the line hum on a lead that hangs free or an input left open, V


class Disturbances:
    """Of one unit on one bench; random ones depend on the seed and bench time alone."""

    def __init__(
        self,
        unit: PoweredUnit,
        seed: int,
        ripple: Callable[[str], float],
        dirt: Dirt,
        passing: Passing,
    ) -> None:
        self._unit = unit
        self._seed = seed
        self._ripple = ripple
        self._dirt = dirt
        self._passing = passing

    def add_white(self, noises: Mapping[str, float], window: noise.Window, total: Floats) -> None:
        """All white parts at once: independent, so their densities add in squares."""
        square, pole_hz, names = 0.0, 1e6, []
        for name, share in noises.items():
            kind, _, rest = name.partition(".")
            if kind == "amplifier":
                channel = self._unit.spec.channel(rest.split(".")[0])
                density = self.white(channel.noise)
                pole_hz = min(pole_hz, channel.legs[0].pole_hz)
            elif kind == "generator":
                density = 1.0 / math.sqrt(AUDIO_BANDWIDTH_HZ)
            elif kind == "section":
                density = 1.0
            elif kind == "ripple":
                density = self._ripple(rest) / math.sqrt(SUPPLY_BANDWIDTH_HZ)
            else:
                continue
            square += (share * density) ** 2
            names.append(name)
        if square > 0.0:
            rng = noise.moment(self._seed, f"{'+'.join(names)}|{window.name}")
            total += noise.white(window, math.sqrt(square), pole_hz, rng)

    def add_slow(self, noises: Mapping[str, float], window: noise.Window, total: Floats) -> None:
        """Flicker, lines and bursts: drawn together on a coarser grid, where that is enough."""
        factor, times = noise.slow_grid(window)
        slow: Floats | None = None
        lines: list[noise.Sinusoid] = []
        square, falling = 0.0, []
        for name, share in noises.items():
            kind, _, rest = name.partition(".")
            part: Floats | None = None
            if kind == "amplifier":
                spec = self._unit.spec.channel(rest.split(".")[0]).noise
                square += (share * spec.white_v_rt_hz) ** 2 * spec.flicker_hz
                falling.append(name)
            elif kind == "slow" and self._passing.bursting(rest):
                part = share * self._passing.bursts(rest, times)
            if part is not None:
                slow = part if slow is None else np.add(slow, part, out=slow)
            lines += (part.times(share) for part in self.steady(name))
        if square > 0.0:  # independent, so that one draw does for all of them, as for the white
            rng = noise.moment(self._seed, f"flicker.{'+'.join(falling)}|{window.name}")
            part = noise.flicker(times, math.sqrt(square), 1.0, rng)
            slow = part if slow is None else np.add(slow, part, out=slow)
        if lines:
            part = noise.added(tuple(lines), times)
            slow = part if slow is None else np.add(slow, part, out=slow)
        if slow is not None:
            total += noise.stretched(slow, factor, window.points)

    def steady(self, name: str) -> tuple[noise.Sinusoid, ...]:
        """The steady lines of a named disturbance."""
        kind, _, rest = name.partition(".")
        if kind == "stray":
            return noise.hum(0.0, STRAY_V, self._dirt.line_hz)
        if kind == "ripple":
            return noise.hum(0.7 * self._ripple(rest), 0.0, self._dirt.line_hz)
        if kind == "slow":
            spec = self._unit.spec.channel(rest).noise
            beyond = 0.0
            if spec.hum_per_a or spec.line_per_a or spec.buzz_per_a:
                beyond = self._beyond_a(spec)
            hum_v = spec.hum_v + spec.hum_per_a * beyond
            odd = noise.odd_lines(spec.line_per_a * beyond, self._dirt.line_hz)
            buzz = noise.buzz(spec.buzz_per_a * beyond, self._dirt.line_hz)
            return (*noise.hum(hum_v, spec.line_v, self._dirt.line_hz), *odd, *buzz)
        return ()

    def _beyond_a(self, spec: NoiseSpec) -> float:
        """What a rail draws beyond what the channel's disturbances begin at, A."""
        return max(0.0, self._unit.rails.pos.amps - spec.hum_from_a)

    def white(self, spec: NoiseSpec) -> float:
        """White noise at a channel's input, V/√Hz."""
        if not spec.white_per_a:
            return spec.white_v_rt_hz
        return math.hypot(spec.white_v_rt_hz, spec.white_per_a * self._beyond_a(spec))

    def mean(self, noises: Mapping[str, float], start_s: float, seconds: float) -> float:
        """Of all of them together over an aperture."""
        if not noises:
            return 0.0
        rng = noise.moment(self._seed, f"dc|{start_s:.9f}|{seconds:.9f}")
        return math.fsum(
            share * self._mean(name, start_s, seconds, rng) for name, share in noises.items()
        )

    def _mean(self, name: str, start_s: float, seconds: float, rng: np.random.Generator) -> float:
        kind, _, rest = name.partition(".")
        # White noise averaged over T has the variance density²/(2T).
        averaged = math.sqrt(0.5 / seconds)
        if kind == "amplifier":
            spec = self._unit.spec.channel(rest.split(".")[0]).noise
            flicker = math.sqrt(spec.flicker_hz * 3.0)  # some three octaves below 1/T
            return float(rng.normal()) * spec.white_v_rt_hz * math.hypot(averaged, flicker)
        if kind == "section":
            return float(rng.normal()) * averaged
        if kind == "generator":
            return float(rng.normal()) * averaged / math.sqrt(AUDIO_BANDWIDTH_HZ)
        if kind == "slow":
            total = sum(p.mean(start_s, seconds) for p in self.steady(name))
            if self._passing.bursting(rest):
                total += noise.mean_over(lambda t: self._passing.bursts(rest, t), start_s, seconds)
            return total
        if kind == "stray":
            return sum(p.mean(start_s, seconds) for p in self.steady(name))
        ripple = self._ripple(rest)
        return float(rng.normal()) * ripple * averaged / math.sqrt(SUPPLY_BANDWIDTH_HZ)
