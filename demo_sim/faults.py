"""The catalogue of faults and bench mistakes: each one entry, each a change of what is built.

``change(bench, channel, severity)`` returns the changed bench; severity runs from 0 (nothing) to 1.
Faults combine: each works on what the one before left. Adding a fault is adding an entry.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import demo_sim.capacitor_faults  # noqa: F401 - enters its own
from demo_sim.amplifier.passing import Intermittent, Oscillation, Thump
from demo_sim.amplifier.spec import ChannelSpec, DeviceSpec, LegSpec
from demo_sim.bench_parts import BenchSpec
from demo_sim.errors import DemoError
from demo_sim.fault_requests import (
    Change,
    FaultInfo,
    FaultRequest,
    apply_faults,
    entry,
    fault_catalogue,
    parse_fault,
)

__all__ = ["Change", "FaultInfo", "FaultRequest", "apply_faults", "fault_catalogue", "parse_fault"]

# --- helpers: change some devices of a channel ---------------------------------------------------


def _devices(leg: LegSpec, change: Callable[[str, int, DeviceSpec], DeviceSpec]) -> LegSpec:
    return replace(
        leg,
        upper=tuple(change("upper", i, d) for i, d in enumerate(leg.upper)),
        lower=tuple(change("lower", i, d) for i, d in enumerate(leg.lower)),
    )


def _first_leg(bench: BenchSpec, channel: str, change: Callable[[LegSpec], LegSpec]) -> BenchSpec:
    """Change a channel's first half-bridge: of stages in parallel, the first."""

    def of(c: ChannelSpec) -> ChannelSpec:
        return replace(c, legs=(change(c.legs[0]), *c.legs[1:]))

    return replace(bench, amplifier=bench.amplifier.with_channel(channel, of))


def _one_device(
    bench: BenchSpec, channel: str, half: str, number: int, **changes: object
) -> BenchSpec:
    """Change device ``number`` (from 1) of one half of the channel's first leg."""

    def of(where: str, i: int, device: DeviceSpec) -> DeviceSpec:
        hit = where == half and i == number - 1
        return replace(device, **changes) if hit else device  # type: ignore[arg-type]

    return _first_leg(bench, channel, lambda leg: _devices(leg, of))


def _channel(
    bench: BenchSpec, channel: str, change: Callable[[ChannelSpec], ChannelSpec]
) -> BenchSpec:
    return replace(bench, amplifier=bench.amplifier.with_channel(channel, change))


def _legs(bench: BenchSpec, channel: str, change: Callable[[LegSpec], LegSpec]) -> BenchSpec:
    return replace(bench, amplifier=bench.amplifier.with_legs(channel, change))


# --- faults of the unit --------------------------------------------------------------------------


@entry("dc_offset", "DC at the speaker terminal", 0.2)
def _dc_offset(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The input pair is out of balance: severity · 1 V of DC is added at the output (of a bridge,
    at its positive terminal)."""
    first = bench.amplifier.channel(channel).sides[0]

    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, offset_v=leg.offset_v + 1.0 * severity) if leg.side == first else leg

    return _legs(bench, channel, of)


@entry("thermal_runaway", "idle current climbs without end as the metal warms", 0.9)
def _thermal_runaway(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The channel's transistors were refitted carelessly: the bias transistor hangs beside the
    heatsink (its contact grows from 5 K/W by severity² · 1000 K/W, so the bias no longer falls as
    the sink warms), the output devices sit on dry pads (case to sink up by severity · 8 K/W), and
    the trimmer was turned down by severity · 10 mV until it looked right. Whether the current runs
    away is left to the loop gain."""

    def device(where: str, i: int, one: DeviceSpec) -> DeviceSpec:
        return replace(one, joint_k_per_w=one.joint_k_per_w + 8.0 * severity)

    def of(leg: LegSpec) -> LegSpec:
        return replace(
            _devices(leg, device),
            bias_sensor_k_per_w=leg.bias_sensor_k_per_w + 1000.0 * severity**2,
            bias_shift_v=leg.bias_shift_v - 10e-3 * severity,
        )

    return _legs(bench, channel, of)


@entry("open_device", "one of the paralleled output devices is open", 1.0)
def _open_device(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The first upper device's emitter joint fails: its ballast path rises from its value by
    severity² · 100 Ω, and at full severity it is open; its neighbours carry its share. A power
    stage that has no other in that half gives no more half waves of that sign."""
    if severity >= 0.999:
        return _one_device(bench, channel, "upper", 1, state="open")
    ballast = bench.amplifier.channel(channel).legs[0].upper[0].ballast_ohm
    return _one_device(bench, channel, "upper", 1, ballast_ohm=ballast + 100.0 * severity**2)


@entry("mismatched_devices", "paralleled output devices that do not share", 0.5)
def _mismatched_devices(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Replacement devices from another batch: the last device of each half has a base-emitter
    voltage lower by severity · 60 mV and takes more than its share."""

    last_stage = bench.amplifier.channels[0].legs[-1].stage

    def of_leg(leg: LegSpec) -> LegSpec:
        def of(where: str, i: int, device: DeviceSpec) -> DeviceSpec:
            last = i == len(leg.half(where)) - 1
            return replace(device, offset_v=device.offset_v + 0.06 * severity) if last else device

        return _devices(leg, of) if leg.stage == last_stage else leg

    return _legs(bench, channel, of_leg)


@entry("open_stage", "one of the power stages in parallel gives nothing", 1.0)
def _open_stage(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The first stage's joint with its output ballast fails: severity² · 10 Ω more on its way to
    the terminal, open at full severity; the stages beside it carry its share."""
    if not bench.amplifier.channel(channel).legs[0].stage:
        raise DemoError(
            "open_stage needs power stages in parallel",
            found="one at each speaker terminal",
            expected="paralleled = 2 or more in the unit sheet",
        )
    more = math.inf if severity >= 0.999 else 10.0 * severity**2
    return _first_leg(bench, channel, lambda leg: replace(leg, joint_ohm=leg.joint_ohm + more))


@entry("bias_low", "bias set too low: crossover distortion", 0.6)
def _bias_low(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The bias trimmer is too low by severity · 200 mV, so near zero neither half conducts."""
    return _legs(
        bench, channel, lambda leg: replace(leg, bias_shift_v=leg.bias_shift_v - 0.2 * severity)
    )


@entry("bias_high", "bias set too high: hot at idle", 0.5)
def _bias_high(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The bias trimmer is too high by severity · 100 mV; idle current and heat rise with it."""
    return _legs(
        bench, channel, lambda leg: replace(leg, bias_shift_v=leg.bias_shift_v + 0.1 * severity)
    )


@entry("weak_supply", "the rails sag under load", 0.6, channels=False)
def _weak_supply(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Burnt contacts in the feed of both rails: severity · 4 Ω in series, so the rails sag with
    the mean current and the output clips early."""
    rails = bench.amplifier.rails
    return replace(
        bench,
        amplifier=replace(
            bench.amplifier, rails=replace(rails, feed_ohm=rails.feed_ohm + 4.0 * severity)
        ),
    )


@entry("dry_thermal_joint", "an output device has lost its thermal contact to the sink", 0.6)
def _dry_thermal_joint(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The compound under the first upper device is dry or its screw loose: case to sink rises by
    severity · 12 K/W. Its junction runs hotter than its neighbour's and draws more current."""
    joint = bench.amplifier.channel(channel).legs[0].upper[0].joint_k_per_w
    return _one_device(bench, channel, "upper", 1, joint_k_per_w=joint + 12.0 * severity)


@entry("noisy_device", "random bursts of noise, worse when warm", 0.5)
def _noisy_device(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A junction in the input stage crackles: bursts of about severity · 40 mV at the output,
    Poisson in time, at severity · 40 per second at 25 °C, doubling every 12 K of sink."""
    return _channel(
        bench,
        channel,
        lambda c: replace(
            c,
            noise=replace(c.noise, burst_v=0.04 * severity, burst_rate_hz=40.0 * severity),
        ),
    )


@entry("hum", "hum from a tired reservoir capacitor", 0.5)
def _hum(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The reservoir of the small-signal supply has dried out: its saw-tooth at twice the line
    frequency comes through to the output at severity · 40 mV, the line itself at a tenth."""
    return _channel(
        bench,
        channel,
        lambda c: replace(
            c,
            noise=replace(
                c.noise,
                hum_v=c.noise.hum_v + 0.04 * severity,
                line_v=c.noise.line_v + 0.004 * severity,
            ),
        ),
    )


@entry("stuck_relay", "the output relay closes late or never", 1.0)
def _stuck_relay(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The relay's driver is slow: pull-in takes (1 + 6 · severity) times as long; from 0.75 up it
    never closes."""
    return _channel(
        bench,
        channel,
        lambda c: replace(
            c,
            relay=replace(
                c.relay,
                pull_in_s=c.relay.pull_in_s * (1.0 + 6.0 * severity),
                never_closes=severity >= 0.75,
            ),
        ),
    )


@entry("resistive_relay", "burnt contacts in the output relay", 0.5)
def _resistive_relay(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Contact resistance rises by severity · 4 Ω, in series with the load and outside feedback."""
    return _channel(
        bench,
        channel,
        lambda c: replace(
            c, relay=replace(c.relay, contact_ohm=c.relay.contact_ohm + 4.0 * severity)
        ),
    )


@entry("loss_of_gain", "one channel is quieter", 0.5)
def _loss_of_gain(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The feedback divider has drifted: gain falls by severity · 20 dB."""
    factor = 10.0 ** (-severity)
    return _legs(bench, channel, lambda leg: replace(leg, gain=leg.gain * factor))


@entry("loss_of_treble", "treble is lost", 0.5)
def _loss_of_treble(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A compensation capacitor has leaked or an input shunt grown: the upper corner falls
    exponentially with severity, from 120 kHz to 1.2 kHz at full severity."""
    factor = 10.0 ** (-2.0 * severity)
    return _legs(bench, channel, lambda leg: replace(leg, pole_hz=leg.pole_hz * factor))


@entry("shorted_device", "an output device is shorted, collector to emitter", 1.0)
def _shorted_device(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The first upper device is a short from its rail through its ballast (any severity above 0);
    feedback drives the other half against it until the supply's limit."""
    return _one_device(bench, channel, "upper", 1, state="shorted")


@entry("dead_half_bridge", "one half of a bridged output gives no signal", 1.0)
def _dead_half_bridge(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The negative half-bridge's drive fades by severity; at 1 it rests at its middle, so half the
    voltage and a quarter of the power are left."""
    if len(bench.amplifier.channel(channel).sides) < 2:
        raise DemoError(
            "dead_half_bridge needs a bridged unit",
            found=bench.amplifier.topology,
            expected="bridged or parallel_bridged",
        )

    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, gain=leg.gain * (1.0 - severity)) if leg.side == "neg" else leg

    return _legs(bench, channel, of)


@entry("inverted_polarity", "a channel's polarity is inverted", 1.0)
def _inverted_polarity(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A repair has put the channel's input pair in the other way round (any severity above 0): its
    output is the mirror image of its input."""
    return _legs(bench, channel, lambda leg: replace(leg, gain=-leg.gain))


@entry("crossed_channels", "the inputs of two channels are crossed", 1.0, channels=False)
def _crossed_channels(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The leads from the input sockets went back on the wrong boards (any severity above 0): each
    channel plays what comes in at the next one."""
    names = bench.amplifier.channel_names
    if len(names) < 2:
        raise DemoError("crossed_channels needs two channels", found=", ".join(names))
    amplifier = bench.amplifier
    for name, source in zip(names, (*names[1:], names[0]), strict=True):
        amplifier = amplifier.with_channel(name, partial(_fed_by, source))
    return replace(bench, amplifier=amplifier)


def _fed_by(source: str, channel: ChannelSpec) -> ChannelSpec:
    return replace(channel, fed_by=source)


@entry("relay_chatter", "the output relay lets go for a moment now and then", 0.5)
def _relay_chatter(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A dry joint at the relay's coil: the contact opens for severity · 100 ms every
    5 s / severity, give or take a half of both."""
    contact = Intermittent(every_s=5.0 / max(severity, 1e-6), lasts_s=0.1 * severity)
    return _channel(bench, channel, lambda c: replace(c, relay=replace(c.relay, contact=contact)))


@entry("dropouts", "the signal drops out now and then", 0.5)
def _dropouts(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A tarnished contact before the power stage: all of the signal but not the output's own noise
    is lost for severity · 200 ms every 10 s / severity, give or take a half of both."""
    contact = Intermittent(every_s=10.0 / max(severity, 1e-6), lasts_s=0.2 * severity)
    return _channel(bench, channel, lambda c: replace(c, contact=contact))


@entry("peak_oscillation", "the output stage oscillates on signal peaks", 0.5)
def _peak_oscillation(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A compensation part is missing: while the output is further from its rest than 0.4 of the
    rail, 2 MHz of severity · 2 V peak stand on it."""
    rail = bench.amplifier.rail_voltage
    rest = rail if bench.amplifier.split else 0.5 * rail
    ringing = Oscillation(peak_v=2.0 * severity, above_v=0.4 * rest)
    return _channel(bench, channel, lambda c: replace(c, oscillation=ringing))


@entry("load_oscillation", "the output stage oscillates into a capacitor", 0.5)
def _load_oscillation(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The output coil is bridged or its damping resistor open: 900 kHz of severity · 2 V peak as
    long as a capacitor stands across the output (capacitor.1, capacitor.2), with signal or not."""
    ringing = Oscillation(2.0 * severity, frequency_hz=0.9e6, above_v=0.0, when="capacitive")
    return _channel(bench, channel, lambda c: replace(c, oscillation=ringing))


@entry("loss_of_bass", "bass is lost", 0.8)
def _loss_of_bass(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A coupling or feedback capacitor has dried out: the lower corner rises exponentially with
    severity, from 2 Hz to 300 Hz at full severity."""
    factor = 150.0**severity
    return _legs(bench, channel, lambda leg: replace(leg, low_cut_hz=leg.low_cut_hz * factor))


@entry("slow_rails", "the rails give way at low frequencies", 0.6, channels=False)
def _slow_rails(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The reservoirs have dried out, and what feeds them does not follow: below 100 Hz the rails
    give way like severity · 4 Ω, while their mean stays."""
    rails = bench.amplifier.rails
    slow = replace(rails, slow_ohm=rails.slow_ohm + 4.0 * severity)
    return replace(bench, amplifier=replace(bench.amplifier, rails=slow))


@entry("crackle", "a crackle every ten to twenty seconds", 0.5)
def _crackle(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A cracked joint in the signal path: crackles of about severity · 200 mV at the output,
    Poisson in time, one in 15 s on average, warm or cold."""
    return _channel(
        bench, channel, lambda c: replace(c, noise=replace(c.noise, crackle_v=0.2 * severity))
    )


@entry("early_protection", "the protection lets go when it is loud for some seconds", 0.5)
def _early_protection(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A protection that takes music for a short: the output relay opens where the load has taken
    more than 1.2 less severity · 0.8 of what it takes at rated power, for 9 s less severity · 8 s,
    and pulls in again as after power on."""
    unit = bench.amplifier
    rated_a = math.sqrt(unit.rated_power / unit.rated_load) * 2.0 * math.sqrt(2.0) / math.pi

    def changed(c: ChannelSpec) -> ChannelSpec:
        loud_a = (1.2 - 0.8 * severity) * rated_a if severity > 0.0 else math.inf
        return replace(c, relay=replace(c.relay, loud_a=loud_a, loud_s=9.0 - 8.0 * severity))

    return _channel(bench, channel, changed)


@entry("dry_relay", "nothing quiet comes through until it has been loud once", 0.5)
def _dry_relay(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A film on the output relay's contact: whenever it has closed, the signal is weaker by
    severity · 40 dB until the stage has swung by severity · 0.8 V, which breaks the film."""

    def changed(c: ChannelSpec) -> ChannelSpec:
        lost = 1.0 - 10.0 ** (-2.0 * severity)
        return replace(c, relay=replace(c.relay, dry_v=0.8 * severity, dry_lost=lost))

    return _channel(bench, channel, changed)


@entry("crackle_when_hot", "a crackle every ten to twenty seconds, once the metal is hot", 0.5)
def _crackle_when_hot(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A joint that opens as the board stretches: crackles of about severity · 200 mV at the output,
    one in 15 s on average, while the heatsink is past 36 °C."""

    def changed(c: ChannelSpec) -> ChannelSpec:
        above = 36.0 if severity > 0.0 else c.noise.crackle_above_c
        noise = replace(c.noise, crackle_v=0.2 * severity, crackle_above_c=above)
        return replace(c, noise=noise)

    return _channel(bench, channel, changed)


@entry("hum_when_driven", "hum that comes with the signal", 0.5)
def _hum_when_driven(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The reservoirs' charging current returns through the signal ground: at the output
    severity · 40 mV of the line's double per ampere that the rails draw beyond idle."""
    return _channel(
        bench, channel, lambda c: replace(c, noise=replace(c.noise, hum_per_a=0.04 * severity))
    )


@entry("thump", "a thump when it is switched on or off", 0.5)
def _thump(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The output is not at rest when the relay closes (severity · 8 V that die away in 0.15 s), and
    the relay's supply holds it closed for severity · 2 s after switching off, while the output
    leaves its rest by up to severity · 8 V."""
    thump = Thump(on_v=8.0 * severity, off_v=8.0 * severity)

    def of(c: ChannelSpec) -> ChannelSpec:
        late = replace(c.relay, release_s=c.relay.release_s + 2.0 * severity)
        return replace(c, thump=thump, relay=late)

    return _channel(bench, channel, of)


@entry("blind_protection", "the speaker protection does not open on DC", 1.0)
def _blind_protection(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Its sense resistor is open: it opens on DC of 1.5 V + severity² · 1000 V."""

    def of(c: ChannelSpec) -> ChannelSpec:
        trip_v = c.relay.dc_trip_v + 1000.0 * severity**2
        return replace(c, relay=replace(c.relay, dc_trip_v=trip_v))

    return _channel(bench, channel, of)


@entry("crosstalk", "one channel is heard in the other", 0.6)
def _crosstalk(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A screen has lost its ground: what leaks in from the next channel rises exponentially with
    severity, from −75 dB at 1 kHz to −15 dB at full severity."""
    return _channel(
        bench, channel, lambda c: replace(c, crosstalk=c.crosstalk * 10.0 ** (3.0 * severity))
    )


# --- mistakes on the bench -----------------------------------------------------------------------


@entry("swapped_leads", "the meter's leads are swapped", 1.0, channels=False, kind="mistake")
def _swapped_leads(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The red lead is in the black socket and the other way round (any severity above 0): what
    should be on hi is on lo."""
    return replace(bench, meter_swapped=True)


@entry("probe_factor", "a ×1 probe where the scope is told ×10", 1.0, kind="mistake")
def _probe_factor(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The probe on the channel's output is a ×1 (any severity above 0); readings are ten times too
    high for a scope set to ×10."""
    number = bench.amplifier.channel_names.index(channel) + 1
    return replace(bench, probe_one_to_one=bench.probe_one_to_one | frozenset({f"scope.{number}"}))


@entry("sensor_off", "the sink's temperature sensor has fallen off", 0.9, False, "mistake")
def _sensor_off(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The sensor reads severity of the way from the sink's temperature to the air's."""
    return replace(bench, sink_sensor=replace(bench.sink_sensor, off=severity))


@entry("load_missing", "a load is not connected", 1.0, kind="mistake")
def _load_missing(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A lead of the channel's load is broken inside (any severity above 0)."""
    return bench.with_load(channel, ohm=math.inf)


@entry("load_wrong", "a load of the wrong value", 1.0, kind="mistake")
def _load_wrong(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The load has (1 − severity / 2) of the resistance on its label: at 1, half."""
    return bench.with_load(channel, ohm=bench.loads[channel].ohm * (1.0 - 0.5 * severity))
