"""What of a unit comes and goes, as it really is: relays, contacts, bursts, thumps."""

from __future__ import annotations

import math

import numpy as np

from demo_sim.amplifier.relay import Relay
from demo_sim.powered import PoweredUnit
from demo_sim.waveforms import Waveforms


class PassingTruth:
    """Exact values of one world; see :class:`demo_sim.truth.Truth`."""

    def __init__(self, unit: PoweredUnit, waves: Waveforms) -> None:
        self._unit = unit
        self._waves = waves

    @property
    def channel_names(self) -> tuple[str, ...]:
        """Of the unit."""
        return self._unit.spec.channel_names

    def relay_closed(self, channel: str) -> bool:
        return self._relay(channel).closed

    def relay_release(self, channel: str) -> float:
        """Seconds from when nothing fed the rails any more to the relay's opening."""
        return self._relay(channel).open_since - self._unit.unfed_since

    def muted_s(self, channel: str) -> float:
        """How long the relay was open before it closed last."""
        relay = self._relay(channel)
        return relay.closed_since - relay.open_since

    def thump_off(self, channel: str) -> float:
        """V of the magnitude, DC and all, that an output had come to as its relay opened last."""
        spec = self._unit.spec.channel(channel)
        rails, rest = self._unit.let_go[self._unit.spec.channel_names.index(channel)]
        return abs(rest + spec.thump.off_v * self._unit.fallen(rails))

    def _relay(self, channel: str) -> Relay:
        return self._unit.relays[self._unit.spec.channel_names.index(channel)]

    def openings(self, channel: str, start_s: float, end_s: float) -> list[tuple[float, float]]:
        """(begin, end) of every moment at which contacts interrupt a channel's signal."""
        return self._waves.passing.openings(channel, start_s, end_s)

    def interruptions_hz(self, channel: str) -> float:
        """How often contacts interrupt a channel's signal, as warm as it gets."""
        spec = self._unit.spec.channel(channel)
        every = [c.every_s for c in (spec.contact, spec.relay.contact) if c.lost > 0.0]
        return math.fsum(1.0 / s for s in every if math.isfinite(s))

    def crackles_hz(self, channel: str) -> float:
        """How often a channel crackles at the present warmth, with a signal or without one: its
        joints and its noisy parts, and hum and DC that come and go."""
        whole = self._unit.spec.channel(channel)
        spec = whole.noise
        warm = spec.crackle_above_c < self._unit.temperature_c("sink") < spec.crackle_below_c
        joints = 1.0 / spec.crackle_every_s if spec.crackle_v and warm else 0.0
        joints += 1.0 / whole.ground.every_s if whole.ground_v else 0.0
        joints += 1.0 / whole.kick.every_s if whole.kick_v else 0.0
        return joints + self.bursts_hz(channel)

    def bursts_hz(self, channel: str) -> float:
        """How often a noisy part of a channel bursts out at the present warmth."""
        spec = self._unit.spec.channel(channel).noise
        if not spec.burst_v:
            return 0.0
        warm = self._unit.temperature_c("sink") - 25.0
        return spec.burst_rate_hz * math.exp2(warm / spec.burst_warming_k)

    def protection_v(self, channel: str) -> float:
        """V of DC at an output from which on the protection opens its relay."""
        return self._unit.spec.channel(channel).relay.dc_trip_v

    def separation_db(self, channel: str, frequency_hz: float = 1000.0) -> float:
        """How far what leaks into a channel lies below the tone of the others."""
        leak = self._unit.spec.channel(channel).leaks(np.array([frequency_hz]))
        return -20.0 * math.log10(max(float(abs(leak[0])), 1e-9))

    def hears_itself(self, channel: str) -> bool:
        """Whether a channel plays what comes in at its own socket."""
        return self._unit.spec.channel(channel).fed_by in ("", channel)

    def contact_ohm(self, channel: str) -> float:
        """Ω of the output relay's contact, closed."""
        return self._unit.spec.channel(channel).relay.contact_ohm

    def first_tone_lost(self, channel: str, volts: float = 0.05) -> float:
        """dB of a quiet tone (V rms) that an output keeps back until it has been loud."""
        relay = self._unit.spec.channel(channel).relay
        dry = relay.dry_v > math.sqrt(2.0) * volts
        return -20.0 * math.log10(1.0 - relay.dry_lost) if dry else 0.0

    def relay_pull_in(self, channel: str) -> float:
        """Seconds from rails up to relay closed; inf when it never closes."""
        relay = self._unit.spec.channel(channel).relay
        return math.inf if relay.never_closes else relay.pull_in_s
