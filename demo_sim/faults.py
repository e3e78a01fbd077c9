"""The catalogue of faults and bench mistakes: each one entry, each a change of what is built.

``change(bench, channel, severity)`` returns the changed bench; severity runs from 0 (nothing) to 1.
Faults combine: each works on what the one before left. Adding a fault is adding an entry.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from demo_sim.amplifier.spec import ChannelSpec, DeviceSpec, LegSpec
from demo_sim.bench_parts import BenchSpec
from demo_sim.errors import DemoError

Kind = Literal["fault", "mistake"]
Change = Callable[[BenchSpec, str, float], BenchSpec]


@dataclass(frozen=True, slots=True)
class FaultInfo:
    """One entry of the catalogue, for people.

    Args:
        name: as typed. summary: one line. physics: what it does, and what severity 1 means.
        channels: it sits in one channel (the first when none is named).
        default_severity: without "=…". kind: of the unit, or of the bench around it.
    """

    name: str
    summary: str
    physics: str
    channels: bool
    default_severity: float
    kind: Kind


@dataclass(frozen=True, slots=True)
class FaultRequest:
    """``name[@channel][=severity]``, read; ``channel`` is None when none was named."""

    name: str
    channel: str | None
    severity: float

    def __str__(self) -> str:
        at = f"@{self.channel}" if self.channel else ""
        return f"{self.name}{at}={self.severity:g}"


_CATALOGUE: dict[str, tuple[FaultInfo, Change]] = {}


def _fault(
    name: str,
    summary: str,
    default: float,
    channels: bool = True,
    kind: Kind = "fault",
) -> Callable[[Change], Change]:
    """Enter a change under ``name``; its docstring is the physics."""

    def enter(change: Change) -> Change:
        physics = " ".join((change.__doc__ or "").split())
        info = FaultInfo(name, summary, physics, channels, default, kind)
        _CATALOGUE[name] = (info, change)
        return change

    return enter


# --- helpers: change some devices of a channel ---------------------------------------------------


def _devices(leg: LegSpec, change: Callable[[str, int, DeviceSpec], DeviceSpec]) -> LegSpec:
    return replace(
        leg,
        upper=tuple(change("upper", i, d) for i, d in enumerate(leg.upper)),
        lower=tuple(change("lower", i, d) for i, d in enumerate(leg.lower)),
    )


def _first_leg(bench: BenchSpec, channel: str, change: Callable[[LegSpec], LegSpec]) -> BenchSpec:
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


@_fault("dc_offset", "DC at the speaker terminal", 0.2)
def _dc_offset(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The input pair is out of balance: severity · 1 V of DC is added at the output (of a bridge,
    at its positive terminal)."""
    return _first_leg(
        bench, channel, lambda leg: replace(leg, offset_v=leg.offset_v + 1.0 * severity)
    )


@_fault("thermal_runaway", "idle current climbs without end as the metal warms", 0.9)
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


@_fault("open_device", "one of the paralleled output devices is open", 1.0)
def _open_device(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The first upper device's emitter joint fails: its ballast path rises from its value by
    severity² · 100 Ω, and at full severity it is open; its neighbours carry its share."""
    if severity >= 0.999:
        return _one_device(bench, channel, "upper", 1, state="open")
    ballast = bench.amplifier.channel(channel).legs[0].upper[0].ballast_ohm
    return _one_device(bench, channel, "upper", 1, ballast_ohm=ballast + 100.0 * severity**2)


@_fault("mismatched_devices", "paralleled output devices that do not share", 0.5)
def _mismatched_devices(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Replacement devices from another batch: the last device of each half has a base-emitter
    voltage lower by severity · 60 mV and takes more than its share."""

    def of(where: str, i: int, device: DeviceSpec) -> DeviceSpec:
        last = i == len(bench.amplifier.channels[0].legs[0].half(where)) - 1
        return replace(device, offset_v=device.offset_v + 0.06 * severity) if last else device

    return _legs(bench, channel, lambda leg: _devices(leg, of))


@_fault("bias_low", "bias set too low: crossover distortion", 0.6)
def _bias_low(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The bias trimmer is too low by severity · 200 mV, so near zero neither half conducts."""
    return _legs(
        bench, channel, lambda leg: replace(leg, bias_shift_v=leg.bias_shift_v - 0.2 * severity)
    )


@_fault("bias_high", "bias set too high: hot at idle", 0.5)
def _bias_high(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The bias trimmer is too high by severity · 100 mV; idle current and heat rise with it."""
    return _legs(
        bench, channel, lambda leg: replace(leg, bias_shift_v=leg.bias_shift_v + 0.1 * severity)
    )


@_fault("weak_supply", "the rails sag under load", 0.6, channels=False)
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


@_fault("dry_thermal_joint", "an output device has lost its thermal contact to the sink", 0.6)
def _dry_thermal_joint(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The compound under the first upper device is dry or its screw loose: case to sink rises by
    severity · 12 K/W. Its junction runs hotter than its neighbour's and draws more current."""
    joint = bench.amplifier.channel(channel).legs[0].upper[0].joint_k_per_w
    return _one_device(bench, channel, "upper", 1, joint_k_per_w=joint + 12.0 * severity)


@_fault("noisy_device", "random bursts of noise, worse when warm", 0.5)
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


@_fault("hum", "hum from a tired reservoir capacitor", 0.5)
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


@_fault("stuck_relay", "the output relay closes late or never", 1.0)
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


@_fault("resistive_relay", "burnt contacts in the output relay", 0.5)
def _resistive_relay(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """Contact resistance rises by severity · 4 Ω, in series with the load and outside feedback."""
    return _channel(
        bench,
        channel,
        lambda c: replace(
            c, relay=replace(c.relay, contact_ohm=c.relay.contact_ohm + 4.0 * severity)
        ),
    )


@_fault("loss_of_gain", "one channel is quieter", 0.5)
def _loss_of_gain(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The feedback divider has drifted: gain falls by severity · 20 dB."""
    factor = 10.0 ** (-severity)
    return _legs(bench, channel, lambda leg: replace(leg, gain=leg.gain * factor))


@_fault("loss_of_treble", "treble is lost", 0.5)
def _loss_of_treble(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A compensation capacitor has leaked or an input shunt grown: the upper corner falls
    exponentially with severity, from 120 kHz to 1.2 kHz at full severity."""
    factor = 10.0 ** (-2.0 * severity)
    return _legs(bench, channel, lambda leg: replace(leg, pole_hz=leg.pole_hz * factor))


@_fault("shorted_device", "an output device is shorted, collector to emitter", 1.0)
def _shorted_device(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The first upper device is a short from its rail through its ballast (any severity above 0);
    feedback drives the other half against it until the supply's limit."""
    return _one_device(bench, channel, "upper", 1, state="shorted")


@_fault("dead_half_bridge", "one half of a bridged output gives no signal", 1.0)
def _dead_half_bridge(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The negative half-bridge's drive fades by severity; at 1 it rests at its middle, so half the
    voltage and a quarter of the power are left."""
    if len(bench.amplifier.channel(channel).legs) < 2:
        raise DemoError(
            "dead_half_bridge needs a bridged unit",
            found=bench.amplifier.topology,
            expected="bridged or parallel_bridged",
        )

    def of(leg: LegSpec) -> LegSpec:
        return replace(leg, gain=leg.gain * (1.0 - severity)) if leg.side == "neg" else leg

    return _legs(bench, channel, of)


# --- mistakes on the bench -----------------------------------------------------------------------


@_fault("swapped_leads", "the meter's leads are swapped", 1.0, channels=False, kind="mistake")
def _swapped_leads(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The red lead is in the black socket and the other way round (any severity above 0): what
    should be on hi is on lo."""
    return replace(bench, meter_swapped=True)


@_fault("probe_factor", "a ×1 probe where the scope is told ×10", 1.0, kind="mistake")
def _probe_factor(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The probe on the channel's output is a ×1 (any severity above 0); readings are ten times too
    high for a scope set to ×10."""
    number = bench.amplifier.channel_names.index(channel) + 1
    return replace(bench, probe_one_to_one=bench.probe_one_to_one | frozenset({f"scope.{number}"}))


@_fault("sensor_off", "the sink's temperature sensor has fallen off", 0.9, False, "mistake")
def _sensor_off(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The sensor reads severity of the way from the sink's temperature to the air's."""
    return replace(bench, sink_sensor=replace(bench.sink_sensor, off=severity))


@_fault("load_missing", "a load is not connected", 1.0, kind="mistake")
def _load_missing(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """A lead of the channel's load is broken inside (any severity above 0)."""
    return bench.with_load(channel, ohm=math.inf)


@_fault("load_wrong", "a load of the wrong value", 1.0, kind="mistake")
def _load_wrong(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
    """The load has (1 − severity / 2) of the resistance on its label: at 1, half."""
    return bench.with_load(channel, ohm=bench.loads[channel].ohm * (1.0 - 0.5 * severity))


# --- the face ------------------------------------------------------------------------------------

_REQUEST = re.compile(r"\s*([A-Za-z_]+)\s*(?:@\s*([A-Za-z0-9_]+))?\s*(?:=\s*(\S+))?\s*")


def fault_catalogue() -> list[FaultInfo]:
    """Every fault and mistake, in the order of the catalogue."""
    return [info for info, _ in _CATALOGUE.values()]


def parse_fault(text: str) -> FaultRequest:
    """Read ``dc_offset@left=0.6``.

    Raises:
        DemoError: unknown name (with the nearest known one), a channel where none belongs, or a
            severity outside 0 … 1.
    """
    match = _REQUEST.fullmatch(text)
    if match is None:
        raise DemoError("cannot read the fault", found=text, expected="NAME[@CHANNEL][=SEVERITY]")
    name, channel, severity = match.groups()
    if name not in _CATALOGUE:
        near = difflib.get_close_matches(name, _CATALOGUE, 1, 0.0)
        raise DemoError("no such fault", found=name, hint=f"nearest known name: {near[0]}")
    info = _CATALOGUE[name][0]
    if channel is not None and not info.channels:
        raise DemoError(f"{name} does not belong to a channel", found=text, expected=name)
    try:
        value = info.default_severity if severity is None else float(severity)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise DemoError(f"severity of {name}", found=str(severity), expected="a number from 0 to 1")
    return FaultRequest(name, channel, value)


def apply_faults(bench: BenchSpec, requests: Sequence[FaultRequest]) -> BenchSpec:
    """The bench with every fault in it, in the order given.

    Raises:
        DemoError: a channel that the unit does not have, or a fault that its topology cannot have.
    """
    for request in requests:
        channel = request.channel or bench.amplifier.channel_names[0]
        bench.amplifier.channel(channel)
        if request.severity > 0.0:
            bench = _CATALOGUE[request.name][1](bench, channel, request.severity)
    return bench
