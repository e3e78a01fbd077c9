"""Faults that stand in no catalogue, a fourth time: what goes by the rail, by the time since the
unit was switched on, by what was played before, by which channel plays, by the form of the signal.

As :mod:`neighbours`, whose list they join.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from further_neighbours import unit_wide
from neighbours import ChannelChange, legs, neighbour

from demo_sim.amplifier.changeable import When
from demo_sim.amplifier.passing import Oscillation, Thump
from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec, LegSpec
from demo_sim.errors import DemoError


def under(name: str, summary: str, when: When) -> Callable[[ChannelChange], ChannelChange]:
    """Enter a change of one channel that is there under a condition alone."""

    def put(change: ChannelChange) -> ChannelChange:
        @neighbour(name, summary)
        def _turned(c: ChannelSpec, severity: float) -> ChannelSpec:
            return replace(c, other=lambda one: change(one, severity), when=when)

        return change

    return put


def _quieter(c: ChannelSpec, decibels: float) -> ChannelSpec:
    factor = 10.0 ** (-decibels / 20.0)
    return legs(c, lambda leg: replace(leg, gain=leg.gain * factor))


def _needs(c: ChannelSpec, has: bool, what: str) -> None:
    """Refuse a fault of a part that the unit does not have."""
    if not has:
        raise DemoError("this unit cannot have the fault", found=c.name, expected=what)


def _hums(c: ChannelSpec, volts: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, hum_v=volts))


def _offset(c: ChannelSpec, volts: float) -> ChannelSpec:
    first = c.sides[0]

    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, offset_v=leg.offset_v + volts) if leg.side == first else leg

    return legs(c, of)


# --- by the rail --------------------------------------------------------------


@under(
    "low_rail_hum", "20 mV of hum once the rail is below 0.93 of its value", When(rail_below=0.93)
)
def _low_rail_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _hums(c, 0.02 * severity)


@under("low_rail_dc", "400 mV of DC once the rail is below 0.95", When(rail_below=0.95, ups=1))
def _low_rail_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _offset(c, 0.4 * severity)


@under("high_rail_crackle", "crackles of 0.2 V every 3 s above 1.04 of the rail", When(1.04))
def _high_rail_crackle(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, noise=replace(c.noise, crackle_v=0.2 * severity, crackle_every_s=3.0))


@under("high_rail_ringing", "1 V at 1.5 MHz beyond 8 V, above 1.04 of the rail", When(1.04))
def _high_rail_ringing(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(severity, 1.5e6, above_v=8.0))


# --- by the time since it was switched on, and by how often it was ------------


@neighbour("settling_dc", "0.6 V of DC that die away in 8 s when the relay closes")
def _settling_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, thump=Thump(on_v=0.6 * severity, on_s=8.0))


@neighbour("slow_start_hum", "20 mV of hum for the first 20 s")
def _slow_start_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    hums = _hums(c, 0.02 * severity)
    return replace(hums, other=lambda w: replace(w, noise=c.noise), when=When(ups=1, for_s=20.0))


@neighbour("fades_in", "10 dB quieter for the first 15 s")
def _fades_in(c: ChannelSpec, severity: float) -> ChannelSpec:
    quiet = _quieter(c, 10.0 * severity)
    return replace(quiet, other=lambda w: replace(w, legs=c.legs), when=When(ups=1, for_s=15.0))


@neighbour("bouncing_relay", "the output relay chatters for 1.5 s as it closes")
def _bouncing_relay(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, bounce_s=1.5 * severity))


@under("second_hum", "20 mV of hum from the second switching on", When(ups=2))
def _second_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _hums(c, 0.02 * severity)


@under("second_dc", "300 mV of DC from the second switching on", When(ups=2))
def _second_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _offset(c, 0.3 * severity)


@under("second_quiet", "6 dB quieter from the second switching on", When(ups=2))
def _second_quiet(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _quieter(c, 6.0 * severity)


@under("second_silence", "the relay stays open at the second switching on", When(ups=2))
def _second_silence(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, never_closes=True))


@under("hasty_relay", "no delay at the second switching on", When(ups=2))
def _hasty_relay(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, pull_in_s=c.relay.pull_in_s * (1.0 - 0.97 * severity)))


# --- by what was played before ------------------------------------------------


@neighbour("sticks", "sticks for 0.2 ms where it was cut off")
def _sticks(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, stick_s=2e-4 * severity))


@under("blocks", "silent for 2 s after it was overdriven", When(overdriven=True, left_s=2.0))
def _blocks(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _quieter(c, 26.0 * severity)


@under(
    "overdriven_dc",
    "0.8 V of DC for 3 s after it was overdriven",
    When(overdriven=True, left_s=3.0),
)
def _overdriven_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _offset(c, 0.8 * severity)


@under(
    "bias_lost_when_loud", "no bias for 5 s after it was loud", When(load_above_a=1.6, left_s=5.0)
)
def _bias_lost_when_loud(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, bias_shift_v=leg.bias_shift_v - 0.12 * severity))


@under(
    "hisses_when_loud", "30 mV of hum for 4 s after it was loud", When(load_above_a=1.6, left_s=4.0)
)
def _hisses_when_loud(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _hums(c, 0.03 * severity)


@under(
    "bias_up_when_loud",
    "70 mV more bias for a minute after 2 s of loud",
    When(load_above_a=1.6, for_s=2.0, left_s=60.0),
)
def _bias_up_when_loud(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, bias_shift_v=leg.bias_shift_v + 0.07 * severity))


@under(
    "latching_trip",
    "the relay opens after 4 s of rated power, for good",
    When(load_above_a=1.9, for_s=4.0, latched=True),
)
def _latching_trip(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, contact_ohm=1e6))


@under(
    "tires",
    "2 dB quieter after 40 s of nearly rated power, for 20 s",
    When(load_above_a=1.8, for_s=40.0, left_s=20.0),
)
def _tires(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _quieter(c, 2.0 * severity)


# --- by which channel plays ---------------------------------------------------


@neighbour("rectified_leak", "half waves of the other channel at -40 dB in the silent one")
def _rectified_leak(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, rectified=0.02 * severity)


@under(
    "lone_ringing",
    "1 V at 1 MHz beyond 8 V as long as the other channel rests",
    When(own="driven", others="quiet"),
)
def _lone_ringing(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, oscillation=Oscillation(severity, 1e6, above_v=8.0))


@under(
    "pushed_dc",
    "250 mV of DC while the other channel alone plays",
    When(own="quiet", others="driven"),
)
def _pushed_dc(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _offset(c, 0.25 * severity)


@under(
    "pushed_hum",
    "20 mV of hum while the other channel alone plays",
    When(own="quiet", others="driven"),
)
def _pushed_hum(c: ChannelSpec, severity: float) -> ChannelSpec:
    return _hums(c, 0.02 * severity)


# --- by the form of the signal ------------------------------------------------


@neighbour("wanders", "its gain moves by 0.8 dB up and down in two and a half minutes")
def _wanders(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, wander=0.1 * severity, wander_s=150.0)


@neighbour("flutters", "its gain flutters by 3 % seven times a second")
def _flutters(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, wander=0.03 * severity, wander_s=1.0 / 7.0)


@neighbour("squashes", "1.3 dB less at rated power than of what is quiet")
def _squashes(c: ChannelSpec, severity: float) -> ChannelSpec:
    return legs(c, lambda leg: replace(leg, squash=0.28 * severity, squash_from_v=8.0))


@neighbour("bass_trip", "the protection takes 20 Hz at rated power for DC")
def _bass_trip(c: ChannelSpec, severity: float) -> ChannelSpec:
    return replace(c, relay=replace(c.relay, bass_hz=2.0 * severity))


@unit_wide("weak_negative", "1.5 ohm in the feed of the negative rail alone")
def _weak_negative(unit: AmplifierSpec, severity: float) -> AmplifierSpec:
    return replace(unit, rails=replace(unit.rails, neg_more_ohm=1.5 * severity))


@neighbour("treble_fight", "one stage of several in parallel ends at 18 kHz")
def _treble_fight(c: ChannelSpec, severity: float) -> ChannelSpec:
    _needs(c, any(leg.stage for leg in c.legs), "power stages in parallel")

    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, pole_hz=18e3 / severity) if leg.stage == 1 else leg

    return legs(c, of)


@neighbour("unlike_halves", "one half of a bridge gives 15 % less")
def _unlike_halves(c: ChannelSpec, severity: float) -> ChannelSpec:
    _needs(c, len(c.sides) > 1, "a bridged channel")

    def of(leg: LegSpec) -> LegSpec:
        less = 1.0 - 0.15 * severity
        return replace(leg, gain=leg.gain * less) if leg.side == "neg" else leg

    return legs(c, of)


# --- before the power stage ---------------------------------------------------


@neighbour("worn_volume", "a volume control whose tracks differ by 8 dB")
def _worn_volume(c: ChannelSpec, severity: float) -> ChannelSpec:
    _needs(c, c.section is not None, "a preamplifier")
    section = c.section and replace(c.section, tracking_db=8.0 * severity)
    return replace(c, section=section)


@neighbour("dead_line", "a preamplifier that gives a hundredth")
def _dead_line(c: ChannelSpec, severity: float) -> ChannelSpec:
    _needs(c, c.section is not None, "a preamplifier")
    section = c.section and replace(c.section, line_gain=c.section.line_gain * 0.01)
    return replace(c, section=section)
