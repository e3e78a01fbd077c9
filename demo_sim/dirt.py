"""What no data sheet tells: leads, contacts, heat in loads and ballasts, a room that breathes.

A clean bench has none of it. A dirty one has all of it, drawn once for the life of the bench from
distributions with long tails (log-normal, Student's t), as benches differ among each other; the
medians are our own choice, near what bench practice knows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec, DeviceSpec, HeatSpec, LegSpec
from demo_sim.noise import Sinusoid, stream
from demo_sim.ports import LeadState

CLEAN_LEAD = LeadState()


def _spread(rng: np.random.Generator, median: float, sigma: float) -> float:
    """Log-normal."""
    return median * math.exp(sigma * float(rng.standard_normal()))


@dataclass(frozen=True, slots=True)
class Dirt:
    """The hidden dirt of one bench; all zero on a clean one.

    Args:
        line_hz: of the mains. load_per_w, load_s: what a load's resistance rises by per watt in
            it, as a fraction, and its time constant. load_lead_ohm: of a load's leads and clips,
            which a four-wire measurement of the load leaves out. ballast_per_k: temperature
            coefficient of the ballasts.
        sensor_off: what a sensor on the heatsink loses of the rise. clip_ohm: between a speaker
            terminal and a probe on the load's plug. probe_noise_v: rms at the tip of a ×10 probe,
            of its divider's resistance over the input's capacitance (√(kT/C): 5.6 µV at the
            input). seed: of what belongs to one lead.
    """

    line_hz: float = 50.0
    load_per_w: float = 0.0
    load_s: float = 60.0
    load_lead_ohm: float = 0.0
    ballast_per_k: float = 0.0
    sensor_off: float = 0.0
    clip_ohm: float = 0.0
    probe_noise_v: float = 0.0
    seed: int | None = None
    _leads: dict[tuple[str, str], LeadState] = field(default_factory=dict, compare=False)

    @classmethod
    def drawn(cls, seed: int) -> Dirt:
        rng = stream(seed, "dirt")
        return cls(
            line_hz=50.0 + 0.05 * float(rng.standard_t(4)),
            load_per_w=_spread(rng, 0.015 / 40.0, 0.5),
            load_s=_spread(rng, 60.0, 0.4),
            load_lead_ohm=_spread(rng, 0.006, 0.6),
            ballast_per_k=_spread(rng, 150e-6, 0.6) * float(rng.choice([-1.0, 1.0], p=[0.2, 0.8])),
            probe_noise_v=10.0 * _spread(rng, 5.6e-6, 0.15),
            sensor_off=_spread(rng, 0.01, 0.6),
            clip_ohm=_spread(rng, 0.003, 0.6),
            seed=seed,
        )

    def lead(self, terminal: str, node: str | None) -> LeadState:
        """A lead of an instrument as it is clipped on there."""
        if self.seed is None or node is None:
            return CLEAN_LEAD
        place = (terminal, node)
        if place not in self._leads:
            rng = stream(self.seed, f"lead.{terminal}.{node}")
            hot = 0.15e-6 * float(rng.standard_t(4)) if node.startswith("ballast.") else 0.0
            self._leads[place] = LeadState(
                emf_v=1.0e-6 * float(rng.standard_t(3)),
                emf_v_per_k=hot,
                ohm=_spread(rng, 0.02, 0.8),
                pickup=Sinusoid(self.line_hz, _spread(rng, 60e-6, 0.8), rng.uniform(0.0, 6.28)),
                **self._probe(terminal),
            )
        return self._leads[place]

    def touch(self, number: int) -> float:
        """What a temperature probe loses of the rise where it was put for the ``number``-th time,
        as a fraction."""
        if self.seed is None:
            return 0.0
        return _spread(stream(self.seed, f"touch.{number}"), self.sensor_off, 0.6)

    def _probe(self, terminal: str) -> dict[str, float]:
        """Of a scope's probe: it goes along wherever the tip is put."""
        if not terminal.startswith("scope"):
            return {}
        rng = stream(self.seed or 0, f"probe.{terminal}")
        return {
            "ratio": 3e-3 * float(rng.standard_t(4)),
            "compensation": 3e-3 * float(rng.standard_t(4)),
        }


def dirty_heat(heat: HeatSpec, rng: np.random.Generator) -> HeatSpec:
    """Convection that grows with the rise, and a part of the heat that goes by a slow way."""
    return replace(
        heat,
        convection_power=float(rng.uniform(0.1, 0.3)),
        slow_share=float(rng.uniform(0.05, 0.3)),
        slow_s=_spread(rng, 1800.0, 0.3),
    )


def _of_one_batch(legs: tuple[LegSpec, ...], rng: np.random.Generator) -> tuple[LegSpec, ...]:
    """Power stages in parallel at one terminal have one band, within a percent: others would drive
    each other through their ballasts at the end of it, and no shop calls that healthy."""
    first: dict[str, LegSpec] = {}

    def like_the_first(leg: LegSpec) -> LegSpec:
        mate = first.setdefault(leg.side, leg)
        if mate is leg or not leg.stage:
            return leg
        return replace(
            leg,
            pole_hz=_spread(rng, mate.pole_hz, 0.01),
            low_cut_hz=_spread(rng, mate.low_cut_hz, 0.01),
        )

    return tuple(like_the_first(leg) for leg in legs)


def wide(spec: AmplifierSpec, rng: np.random.Generator) -> AmplifierSpec:
    """A healthy unit as a shop sees them: parts of other batches, other years, other hands."""

    def leg(one: LegSpec, gain: float) -> LegSpec:
        def half(devices: tuple[DeviceSpec, ...]) -> tuple[DeviceSpec, ...]:
            return tuple(
                replace(
                    d,
                    offset_v=d.offset_v + 1.5e-3 * float(rng.standard_normal()),
                    joint_k_per_w=_spread(rng, d.joint_k_per_w, 0.25),
                )
                for d in devices
            )

        return replace(
            one,
            upper=half(one.upper),
            lower=half(one.lower),
            gain=one.gain * gain,
            offset_v=one.offset_v + 4e-3 * float(rng.standard_normal()),
            offset_v_per_k=40e-6 * float(rng.standard_t(4)),
            bias_shift_v=one.bias_shift_v + 3e-3 * float(rng.standard_normal()),
            pole_hz=_spread(rng, one.pole_hz, 0.2),
            low_cut_hz=_spread(rng, one.low_cut_hz, 0.25),
        )

    def channel(one: ChannelSpec) -> ChannelSpec:
        gain = 1.0 + 0.01 * float(rng.standard_normal())
        return replace(
            one,
            legs=_of_one_batch(tuple(leg(each, gain) for each in one.legs), rng),
            relay=replace(one.relay, contact_ohm=_spread(rng, one.relay.contact_ohm, 0.6)),
            noise=replace(
                one.noise,
                white_v_rt_hz=_spread(rng, one.noise.white_v_rt_hz, 0.3),
                flicker_hz=_spread(rng, one.noise.flicker_hz, 0.6),
                hum_v=_spread(rng, one.noise.hum_v, 0.6),
                line_v=_spread(rng, one.noise.line_v, 0.8),
            ),
            crosstalk=_spread(rng, one.crosstalk, 0.5),
        )

    return replace(spec, channels=tuple(channel(c) for c in spec.channels))
