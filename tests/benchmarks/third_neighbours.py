"""Faults that stand in no catalogue, a third time: narrow, slow, quiet, hot or just once.

As :mod:`neighbours`, whose list they join.
"""

from __future__ import annotations

from dataclasses import replace

from further_neighbours import first_device, unit_wide
from neighbours import legs, neighbour, warm

from demo_sim.amplifier.passing import Intermittent, Thump
from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec, Resonance


@neighbour("thin_notch", "6 dB lost at 700 Hz, a sixth of an octave wide")
def _thin_notch(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, resonance=Resonance(700.0, -6.0 * severity, 8.0)))


@neighbour("thin_peak", "5 dB too much at 330 Hz, a sixth of an octave wide")
def _thin_peak(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, resonance=Resonance(330.0, 5.0 * severity, 8.0)))


@neighbour("boats", "60 mV up and down more than once a second")
def _boats(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, kick=Intermittent(0.6, 0.3, scatter=0.0), kick_v=0.06 * severity)


@neighbour("pops", "25 mV of DC for half a second every three seconds")
def _pops(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, kick=Intermittent(3.0, 0.5), kick_v=0.025 * severity)


@neighbour("hot_kicks", "150 mV of DC for a second every 20 s, past 40 °C")
def _hot_kicks(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: replace(w, kick=Intermittent(20.0, 1.0), kick_v=0.15 * severity), 40.0)


@neighbour("half_dry", "4 dB of what is quiet is lost until it has been loud")
def _half_dry(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, dry_v=0.15, dry_lost=0.37 * severity))


@neighbour("early_click", "-2 V that die away in 50 ms when the relay closes")
def _early_click(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, thump=Thump(on_v=-2.0 * severity, on_s=0.05))


@neighbour("quick_protection", "it lets go after 0.1 s beyond 0.9 of rated current")
def _quick_protection(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, loud_a=1.8 / severity, loud_s=0.1, pull_in_s=1.0))


@neighbour("last_protection", "it lets go after 11 s of rated power")
def _last_protection(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, loud_a=1.9 / severity, loud_s=11.0))


@neighbour("half_sensor", "the bias transistor's clip has lost its paste")
def _half_sensor(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, bias_sensor_k_per_w=45.0 * severity))


@neighbour("one_joint", "one device sits on 4 K/W")
def _one_joint(c: ChannelSpec, severity: float) -> ChannelSpec:
    return first_device(c, joint_k_per_w=4.0 * severity)


@neighbour("grown_joint", "0.35 ohm in the output path once the heatsink is past 38 °C")
def _grown_joint(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(
        c,
        lambda w: replace(w, relay=replace(w.relay, contact_ohm=0.4 * severity)),
        38.0,
    )


@neighbour("drooping_treble", "-3 dB at 24 kHz once the heatsink is past 38 °C")
def _drooping_treble(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: legs(w, lambda leg: replace(leg, pole_hz=14e3 / severity)), 38.0)


@neighbour("leaks_hot", "the other channel is heard at -30 dB once the heatsink is past 38 °C")
def _leaks_hot(c: ChannelSpec, severity: float) -> ChannelSpec:
    return warm(c, lambda w: replace(w, shared=0.03 * severity), 38.0)


@unit_wide("leaky_reservoir", "the rails draw 0.15 A more")
def _leaky_reservoir(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, rails=replace(unit.rails, quiescent_a=0.15 * severity))


@unit_wide("worn_feed", "0.9 ohm in the feed of the rails")
def _worn_feed(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, rails=replace(unit.rails, feed_ohm=0.9 * severity))


@unit_wide("dropping_path", "the drivers drop 5 V more")
def _dropping_path(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, path=replace(unit.path, drop_v=unit.path.drop_v + 5.0 * severity))


@unit_wide("third_order", "voltage amplifiers that bend evenly at both ends")
def _third_order(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, path=replace(unit.path, third=0.5 * severity, loop_gain=60.0))
