"""Faults of the same classes as the catalogue's that stand in no catalogue.

Somebody's amplifier has them: a contact that opens more seldom, another frequency, one half wave,
only when warm. An acceptance that knows the catalogue alone would let them pass. Importing this
module enters them, so that ``--fault`` and :mod:`seqrun.study.acceptance` know their names; nothing
that ships does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from demo_sim.amplifier.passing import Intermittent, Oscillation
from demo_sim.amplifier.spec import ChannelSpec, LegSpec
from demo_sim.bench_parts import BenchSpec
from demo_sim.fault_requests import entry

NEIGHBOURS: list[str] = []
ChannelChange = Callable[[ChannelSpec, float], ChannelSpec]


def neighbour(name: str, summary: str) -> Callable[[ChannelChange], ChannelChange]:
    """Enter a change of one channel; at severity 1 it is as its summary says."""

    def put(change: ChannelChange) -> ChannelChange:
        def whole(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
            unit = bench.amplifier.with_channel(channel, lambda c: change(c, severity))
            return replace(bench, amplifier=unit)

        whole.__doc__ = summary
        entry(name, summary, 1.0)(whole)
        NEIGHBOURS.append(name)
        return change

    return put


def _legs(channel: ChannelSpec, change: Callable[[LegSpec], LegSpec]) -> ChannelSpec:
    return replace(channel, legs=tuple(change(leg) for leg in channel.legs))


@neighbour("relay_seldom", "the output relay opens for 20 ms every 30 s")
def _relay_seldom(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, contact=Intermittent(30.0 / severity, 0.02)))


@neighbour("slow_oscillation", "1 V at 300 kHz while the output is beyond 12 V")
def _slow_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(severity, frequency_hz=300e3))


@neighbour("fast_oscillation", "1 V at 5 MHz while the output is beyond 12 V")
def _fast_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(severity, frequency_hz=5e6))


@neighbour("half_wave_oscillation", "1 V at 1.7 MHz on the positive tips alone")
def _half_wave_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(severity, frequency_hz=1.7e6, side="upper"))


@neighbour("tip_oscillation", "1 V at 2 MHz beyond 21 V, where a unit is near its rated power")
def _tip_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(severity, above_v=21.0))


@neighbour("short_bass", "-3 dB at 150 Hz")
def _short_bass(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, low_cut_hz=150.0 * severity))


@neighbour("short_treble", "-3 dB at 22 kHz")
def _short_treble(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, pole_hz=22e3 / severity))


@neighbour("warm_crackle", "crackles of 80 mV that begin with warmth: one in 20 s at 45 °C")
def _warm_crackle(c: ChannelSpec, severity: float) -> ChannelSpec:
    noise = replace(c.noise, burst_v=0.08 * severity, burst_rate_hz=0.0016, burst_warming_k=4.0)
    return replace(c, noise=noise)


@neighbour("one_feeds_both", "the channel plays what comes in at the first one's input")
def _one_feeds_both(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, fed_by="left" if c.name != "left" else "right")


@neighbour("hum_of_the_line", "hum at odd multiples of the mains, 20 mV per ampere drawn")
def _hum_of_the_line(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, line_per_a=0.02 * severity))


@neighbour("gain_up", "1.5 dB louder than the other channel")
def _gain_up(c: ChannelSpec, severity: float) -> ChannelSpec:
    factor = 10.0 ** (1.5 * severity / 20.0)
    return _legs(c, lambda leg: replace(leg, gain=leg.gain * factor))


@neighbour("warm_joint", "the signal is lost for 50 ms every 12 s once the heatsink is past 40 °C")
def _warm_joint(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, contact=Intermittent(12.0 / severity, 0.05, above_c=40.0))


@neighbour("dead_channel", "the channel gives nothing")
def _dead_channel(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, dead=True))


@neighbour("warm_step", "120 mV of DC more once the bias transistor is past 40 °C")
def _warm_step(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, offset_step_v=0.12 * severity, offset_step_c=40.0))


@neighbour("offset_drift", "DC that creeps by 4 mV per kelvin")
def _offset_drift(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, offset_v_per_k=4e-3 * severity))


@neighbour("cut_out", "the output goes silent once the heatsink is past 45 °C")
def _cut_out(c: ChannelSpec, severity: float) -> ChannelSpec:
    held = Intermittent(1.0, 1.0, scatter=0.0, above_c=45.0)
    return replace(c, relay=replace(c.relay, contact=held))


@neighbour("late_runaway", "the bias follows the heat too little: it runs away when driven long")
def _late_runaway(c: ChannelSpec, severity: float) -> ChannelSpec:
    def of(leg: LegSpec) -> LegSpec:
        dry = [
            tuple(replace(d, joint_k_per_w=5.0) for d in leg.half(h)) for h in ("upper", "lower")
        ]
        sensor = leg.bias_sensor_k_per_w + 400.0 * severity
        return replace(leg, upper=dry[0], lower=dry[1], bias_sensor_k_per_w=sensor)

    return _legs(c, of)


@entry("long_bass", "the rails give way below 25 Hz", 1.0, channels=False)
def _long_bass(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Like 3 Ω below 25 Hz: what a short tone in the middle of the band does not show."""
    rails = replace(bench.amplifier.rails, slow_ohm=3.0 * severity, slow_hz=25.0)
    return replace(bench, amplifier=replace(bench.amplifier, rails=rails))


NEIGHBOURS.append("long_bass")
