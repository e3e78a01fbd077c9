"""Faults of the same classes as the catalogue's that stand in no catalogue.

Somebody's amplifier has them: a contact that opens more seldom, another frequency, one half wave,
only when warm. An acceptance that knows the catalogue alone would let them pass. Importing this
module enters them, so that ``--fault`` and :mod:`seqrun.study.acceptance` know their names; nothing
that ships does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from demo_sim.amplifier.passing import STABLE, Intermittent, Oscillation, Thump
from demo_sim.amplifier.spec import ChannelSpec, LegSpec, Resonance
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


def legs(channel: ChannelSpec, change: Callable[[LegSpec], LegSpec]) -> ChannelSpec:
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
    return legs(c, lambda leg: replace(leg, low_cut_hz=150.0 * severity))


@neighbour("short_treble", "-3 dB at 22 kHz")
def _short_treble(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, pole_hz=22e3 / severity))


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
    return legs(c, lambda leg: replace(leg, gain=leg.gain * factor))


@neighbour("warm_joint", "the signal is lost for 50 ms every 12 s once the heatsink is past 40 °C")
def _warm_joint(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, contact=Intermittent(12.0 / severity, 0.05, above_c=40.0))


@neighbour("dead_channel", "the channel gives nothing")
def _dead_channel(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, gain=0.0))


@neighbour("warm_step", "120 mV of DC more once the bias transistor is past 40 °C")
def _warm_step(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, offset_step_v=0.12 * severity, offset_step_c=40.0))


@neighbour("offset_drift", "DC that creeps by 4 mV per kelvin")
def _offset_drift(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, offset_v_per_k=4e-3 * severity))


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

    return legs(c, of)


@neighbour("loose_ground", "the ground of the input lets go for 0.3 s every 20 s: 30 mV of hum")
def _loose_ground(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, ground=Intermittent(20.0, 0.3), ground_v=0.03 * severity)


@neighbour("late_relay", "the output relay takes 14 s to close")
def _late_relay(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, pull_in_s=14.0 * severity))


@neighbour("warm_gain", "1.5 dB quieter once the heatsink is past 40 °C")
def _warm_gain(c: ChannelSpec, severity: float) -> ChannelSpec:
    factor = 10.0 ** (-1.5 * severity / 20.0)
    return warm(c, lambda w: legs(w, lambda leg: replace(leg, gain=leg.gain * factor)))


@neighbour("warm_hum", "3 mV of hum once the heatsink is past 40 °C")
def _warm_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: replace(w, noise=replace(w.noise, hum_v=6e-3 * severity)))


@neighbour("warm_hiss", "3 mV of hiss once the heatsink is past 40 °C")
def _warm_hiss(c: ChannelSpec, severity: float) -> ChannelSpec:
    white = 700e-9 * severity  # V/√Hz at the input, 29 dB, 22 kHz
    return warm(c, lambda w: replace(w, noise=replace(w.noise, white_v_rt_hz=white)))


@neighbour("warm_open_device", "a paralleled device opens once the heatsink is past 40 °C")
def _warm_open_device(c: ChannelSpec, severity: float) -> ChannelSpec:
    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, lower=(*leg.lower[:-1], replace(leg.lower[-1], state="open")))

    return warm(c, lambda w: legs(w, of))


@neighbour("driven_dc", "DC that comes with the signal alone: 120 mV at an eighth of rated power")
def _driven_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, offset_per_v=0.021 * severity))


@neighbour("dc_kicks", "120 mV of DC for half a second every 20 s")
def _dc_kicks(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, kick=Intermittent(20.0, 0.5), kick_v=0.12 * severity)


@neighbour("rectifying_relay", "a film on the relay's contact keeps 0.3 V of one half wave")
def _rectifying_relay(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, film_v=0.3 * severity))


@neighbour("early_limiter", "the upper half's protection acts from 2 A on, where it lasts 5 ms")
def _early_limiter(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, limit_a=2.0 / severity))


@neighbour("lower_tip_oscillation", "0.6 V at 800 kHz on the negative tips beyond 15 V alone")
def _lower_tip_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    ringing = Oscillation(0.6 * severity, frequency_hz=0.8e6, above_v=15.0, side="lower")
    return replace(c, oscillation=ringing)


@neighbour("loose_bias_sensor", "the bias transistor hangs beside the heatsink, all else is sound")
def _loose_bias_sensor(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, bias_sensor_k_per_w=1000.0 * severity))


def warm(
    c: ChannelSpec, change: Callable[[ChannelSpec], ChannelSpec], celsius: float = 40.0
) -> ChannelSpec:
    return replace(c, warm=change, warm_c=celsius)


@entry("blocked_fins", "the heatsink gives off a good third less than it should", 1.0, False)
def _blocked_fins(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Dust between the fins: kelvin per watt up by 60 %."""
    heat = bench.amplifier.heat
    heat = replace(heat, sink_k_per_w=heat.sink_k_per_w * (1.0 + 0.6 * severity))
    return replace(bench, amplifier=replace(bench.amplifier, heat=heat))


@neighbour("relay_click", "the output relay opens for 2 ms every 4 s")
def _relay_click(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, contact=Intermittent(4.0, 2e-3 * severity)))


@neighbour("relay_rare", "the output relay opens for 80 ms every 100 s")
def _relay_rare(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, contact=Intermittent(100.0 / severity, 0.08)))


@neighbour("relay_long", "the output relay opens for 6 s every 150 s")
def _relay_long(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, contact=Intermittent(150.0 / severity, 6.0)))


@neighbour("half_contact", "a third of the signal is lost for 30 ms every 8 s")
def _half_contact(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, contact=Intermittent(8.0, 0.03, lost=0.33 * severity))


@neighbour("cold_joint", "the signal is lost for 50 ms every 10 s, below 32 °C of the heatsink")
def _cold_joint(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, contact=Intermittent(10.0 / severity, 0.05, below_c=32.0))


@neighbour("warm_relay", "the output relay's contact has 0.7 Ω once the heatsink is past 40 °C")
def _warm_relay(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: replace(w, relay=replace(w.relay, contact_ohm=0.7 * severity)))


@neighbour("low_oscillation", "0.5 V at 90 kHz while the output is beyond 12 V")
def _low_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.5 * severity, frequency_hz=90e3))


@neighbour(
    "low_tip_oscillation", "0.4 V at 100 kHz beyond 19 V, where a unit is near its rated power"
)
def _low_tip_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.4 * severity, 100e3, above_v=19.0))


@neighbour("supersonic", "0.3 V at 40 kHz, with signal or not")
def _supersonic(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.3 * severity, 40e3, above_v=0.0))


@neighbour("crossing_oscillation", "0.4 V at 3 MHz within 1 V of rest alone")
def _crossing_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.4 * severity, 3e6, above_v=0.0, below_v=1.0))


@neighbour("rest_oscillation", "0.3 V at 600 kHz within 0.1 V of rest alone")
def _rest_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(0.3 * severity, 600e3, above_v=0.0, below_v=0.1))


@neighbour("cold_oscillation", "1 V at 2 MHz beyond 12 V, gone once the heatsink is past 35 °C")
def _cold_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    unstable = replace(c, oscillation=Oscillation(severity))
    return warm(unstable, lambda w: replace(w, oscillation=STABLE), 35.0)


@neighbour("hot_oscillation", "1 V at 1.2 MHz beyond 12 V once the heatsink is past 42 °C")
def _hot_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: replace(w, oscillation=Oscillation(severity, 1.2e6)), 42.0)


@neighbour("cable_oscillation", "1 V at 700 kHz beyond 8 V, into a capacitor alone")
def _cable_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    ringing = Oscillation(severity, 700e3, above_v=8.0, when="capacitive")
    return replace(c, oscillation=ringing)


@neighbour("unloaded_oscillation", "1 V at 400 kHz as long as there is no load")
def _unloaded_oscillation(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(severity, 400e3, above_v=0.0, when="unloaded"))


@neighbour("bass_hump", "4 dB too much at 90 Hz")
def _bass_hump(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _resonant(c, Resonance(90.0, 4.0 * severity, 1.5))


@neighbour("notch", "6 dB lost at 2.4 kHz, a quarter of an octave wide")
def _notch(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _resonant(c, Resonance(2400.0, -6.0 * severity, 4.0))


@neighbour("presence_dip", "2.5 dB lost about 5 kHz")
def _presence_dip(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _resonant(c, Resonance(5000.0, -2.5 * severity, 1.0))


@neighbour("treble_peak", "3 dB too much at 16 kHz")
def _treble_peak(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _resonant(c, Resonance(16e3, 3.0 * severity, 2.0))


@neighbour("warm_bass", "bass is lost below 60 Hz once the heatsink is past 40 °C")
def _warm_bass(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: legs(w, lambda leg: replace(leg, low_cut_hz=60.0 * severity)))


@neighbour("rare_crackle", "crackles of 100 mV, one in a minute")
def _rare_crackle(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, crackle_v=0.1, crackle_every_s=60.0 / severity))


@neighbour("tiny_crackle", "crackles of 30 mV, one in 12 s")
def _tiny_crackle(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, crackle_v=0.03 * severity, crackle_every_s=12.0))


@neighbour("driven_crackle", "crackles of 150 mV, one in 20 s, only with a signal")
def _driven_crackle(c: ChannelSpec, severity: float) -> ChannelSpec:
    noise = replace(c.noise, crackle_v=0.15 * severity, crackle_every_s=20.0)
    return replace(c, noise=replace(noise, crackle_when="driven"))


@neighbour("cold_crackle", "crackles of 100 mV, one in 8 s, below 30 °C of the heatsink")
def _cold_crackle(c: ChannelSpec, severity: float) -> ChannelSpec:
    noise = replace(c.noise, crackle_v=0.1 * severity, crackle_every_s=8.0)
    return replace(c, noise=replace(noise, crackle_below_c=30.0))


@neighbour("hot_crackle", "crackles of 100 mV, one in 15 s, past 42 °C and with no signal alone")
def _hot_crackle(c: ChannelSpec, severity: float) -> ChannelSpec:
    noise = replace(c.noise, crackle_v=0.1 * severity, crackle_above_c=42.0)
    return replace(c, noise=replace(noise, crackle_when="quiet"))


@neighbour("driven_buzz", "a buzz from 600 Hz to 2 kHz, 5 mV per ampere in each line")
def _driven_buzz(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, buzz_per_a=5e-3 * severity))


@neighbour("warm_driven_hum", "hum with the signal, 20 mV per ampere, past 40 °C alone")
def _warm_driven_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: replace(w, noise=replace(w.noise, hum_per_a=0.02 * severity)))


@neighbour("driven_hiss", "hiss that comes with the signal, some 25 mV at half of rated power")
def _driven_hiss(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, white_per_a=4e-6 * severity))


@neighbour("bass_leak", "low tones of the other channel are heard: -20 dB at 100 Hz")
def _bass_leak(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, shared_low=0.1 * severity)


@neighbour("shared_ground", "the other channel is heard at -35 dB at every frequency")
def _shared_ground(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, shared=0.018 * severity)


@neighbour("treble_leak", "high tones of the other channel are heard: -28 dB at 10 kHz")
def _treble_leak(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, crosstalk=4e-3 * severity)


@neighbour("loud_dc", "DC that comes with loud signals alone: 0.35 V at rated power")
def _loud_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, offset_per_v=0.06 * severity, offset_from_v=10.0))


@neighbour("slow_kick", "120 mV of DC for 40 s every 200 s")
def _slow_kick(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, kick=Intermittent(200.0, 40.0), kick_v=0.12 * severity)


@neighbour("warm_crossover", "the bias is lost once the heatsink is past 42 °C")
def _warm_crossover(c: ChannelSpec, severity: float) -> ChannelSpec:
    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, bias_shift_v=leg.bias_shift_v - 0.1 * severity)

    return warm(c, lambda w: legs(w, of), 42.0)


@neighbour("click_on", "4 V that die away in 10 ms when the relay closes")
def _click_on(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, thump=Thump(on_v=4.0 * severity, on_s=0.01))


@neighbour("thump_off_alone", "3 V when it is switched off: the relay lets go half a second late")
def _thump_off_alone(c: ChannelSpec, severity: float) -> ChannelSpec:
    late = replace(c.relay, release_s=0.6)
    return replace(c, thump=Thump(off_v=3.0 * severity), relay=late)


@neighbour("sagging_gain", "0.8 dB quieter once the heatsink is past 40 °C")
def _sagging_gain(c: ChannelSpec, severity: float) -> ChannelSpec:
    factor = 10.0 ** (-0.8 * severity / 20.0)
    return warm(c, lambda w: legs(w, lambda leg: replace(leg, gain=leg.gain * factor)))


@neighbour("hot_limiter", "the upper half's protection acts from 2.4 A on, past 42 °C")
def _hot_limiter(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: legs(w, lambda leg: replace(leg, limit_a=2.4 / severity)), 42.0)


@neighbour("quick_limiter", "the upper half's protection acts from 2.8 A on, at once")
def _quick_limiter(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, limit_a=2.8 / severity, limit_s=5e-5))


def _resonant(c: ChannelSpec, resonance: Resonance) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, resonance=resonance))


def _rails(name: str, summary: str, ohm: float, from_hz: float, hz: float) -> None:
    """Enter rails that give way in one band alone."""

    def change(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
        rails = replace(
            bench.amplifier.rails, slow_ohm=ohm * severity, slow_from_hz=from_hz, slow_hz=hz
        )
        return replace(bench, amplifier=replace(bench.amplifier, rails=rails))

    change.__doc__ = summary
    entry(name, summary, 1.0, channels=False)(change)
    NEIGHBOURS.append(name)


_rails("middle_rails", "the rails give way from 80 to 400 Hz", 6.0, 80.0, 400.0)
_rails("upper_rails", "the rails give way from 3 to 12 kHz", 8.0, 3e3, 12e3)
_rails("burst_rails", "the rails give way when a burst begins, and come back", 6.0, 0.0, 1.5)


@entry("late_bias", "the bias follows the heat a quarter of an hour late", 1.0, channels=False)
def _late_bias(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The bias transistors sit on a lump of metal of their own."""
    heat = replace(bench.amplifier.heat, bias_j_per_k=200.0 * severity)
    return replace(bench, amplifier=replace(bench.amplifier, heat=heat))


@entry("long_bass", "the rails give way below 25 Hz", 1.0, channels=False)
def _long_bass(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Like 3 Ω below 25 Hz: what a short tone in the middle of the band does not show."""
    rails = replace(bench.amplifier.rails, slow_ohm=3.0 * severity, slow_hz=25.0)
    return replace(bench, amplifier=replace(bench.amplifier, rails=rails))


NEIGHBOURS.extend(("long_bass", "blocked_fins", "late_bias"))
