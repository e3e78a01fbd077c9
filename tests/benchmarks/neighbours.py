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
    return _legs(c, lambda leg: replace(leg, gain=0.0))


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


@neighbour("loose_ground", "the ground of the input lets go for 0.3 s every 20 s: 30 mV of hum")
def _loose_ground(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, ground=Intermittent(20.0, 0.3), ground_v=0.03 * severity)


@neighbour("late_relay", "the output relay takes 14 s to close")
def _late_relay(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, pull_in_s=14.0 * severity))


@neighbour("warm_gain", "1.5 dB quieter once the heatsink is past 40 °C")
def _warm_gain(c: ChannelSpec, severity: float) -> ChannelSpec:
    factor = 10.0 ** (-1.5 * severity / 20.0)
    return _warm(c, lambda w: _legs(w, lambda leg: replace(leg, gain=leg.gain * factor)))


@neighbour("warm_hum", "3 mV of hum once the heatsink is past 40 °C")
def _warm_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _warm(c, lambda w: replace(w, noise=replace(w.noise, hum_v=6e-3 * severity)))


@neighbour("warm_hiss", "3 mV of hiss once the heatsink is past 40 °C")
def _warm_hiss(c: ChannelSpec, severity: float) -> ChannelSpec:
    white = 700e-9 * severity  # V/√Hz at the input, 29 dB, 22 kHz
    return _warm(c, lambda w: replace(w, noise=replace(w.noise, white_v_rt_hz=white)))


@neighbour("warm_open_device", "a paralleled device opens once the heatsink is past 40 °C")
def _warm_open_device(c: ChannelSpec, severity: float) -> ChannelSpec:
    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, lower=(*leg.lower[:-1], replace(leg.lower[-1], state="open")))

    return _warm(c, lambda w: _legs(w, of))


@neighbour("driven_dc", "DC that comes with the signal alone: 120 mV at an eighth of rated power")
def _driven_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, offset_per_v=0.021 * severity))


@neighbour("dc_kicks", "120 mV of DC for half a second every 20 s")
def _dc_kicks(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, kick=Intermittent(20.0, 0.5), kick_v=0.12 * severity)


@neighbour("rectifying_relay", "a film on the relay's contact keeps 0.3 V of one half wave")
def _rectifying_relay(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, film_v=0.3 * severity))


@neighbour("early_limiter", "the upper half's protection acts from 2 A on, where it lasts 5 ms")
def _early_limiter(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, limit_a=2.0 / severity))


@neighbour("lower_tip_oscillation", "0.6 V at 800 kHz on the negative tips beyond 15 V alone")
def _lower_tip_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    ringing = Oscillation(0.6 * severity, frequency_hz=0.8e6, above_v=15.0, side="lower")
    return replace(c, oscillation=ringing)


@neighbour("loose_bias_sensor", "the bias transistor hangs beside the heatsink, all else is sound")
def _loose_bias_sensor(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _legs(c, lambda leg: replace(leg, bias_sensor_k_per_w=1000.0 * severity))


def _warm(
    c: ChannelSpec, change: Callable[[ChannelSpec], ChannelSpec], celsius: float = 40.0
) -> ChannelSpec:
    return replace(c, warm=change, warm_c=celsius)


@entry("blocked_fins", "the heatsink gives off a good third less than it should", 1.0, False)
def _blocked_fins(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Dust between the fins: kelvin per watt up by 60 %."""
    heat = bench.amplifier.heat
    heat = replace(heat, sink_k_per_w=heat.sink_k_per_w * (1.0 + 0.6 * severity))
    return replace(bench, amplifier=replace(bench.amplifier, heat=heat))


@entry("long_bass", "the rails give way below 25 Hz", 1.0, channels=False)
def _long_bass(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Like 3 Ω below 25 Hz: what a short tone in the middle of the band does not show."""
    rails = replace(bench.amplifier.rails, slow_ohm=3.0 * severity, slow_hz=25.0)
    return replace(bench, amplifier=replace(bench.amplifier, rails=rails))


NEIGHBOURS.extend(("long_bass", "blocked_fins"))
