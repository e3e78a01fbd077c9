"""What a particular amplifier is made of: values that faults change and physics reads.

All SI. The figures are those of an amplifier of our own invention. ``AmplifierSpec.build`` makes
one from a unit sheet's plain values, with the small differences from part to part that a seed
draws; a fault then replaces some of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, Self

import numpy as np

from demo_sim.amplifier.paralleled import (
    OUTPUT_BALLAST_OHM,
    OutputBallast,
    paralleled,
    stages_of,
)
from demo_sim.amplifier.passing import SILENT, SOUND, STABLE, Intermittent, Oscillation, Thump
from demo_sim.amplifier.sections import SectionSpec
from demo_sim.amplifier.unit_values import unit_values
from demo_sim.errors import DemoError

Topology = Literal["single_ended", "bridged", "parallel_bridged"]
HALVES = ("upper", "lower")
SIDES = ("pos", "neg")
LEAST_DROP_V = 0.4  # saturated drivers and output devices
TRIMMED_V = -5e-3  # set after some minutes at idle, so a little low when cold


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """One output device with its ballast resistor.

    Args:
        offset_v: how far its base-emitter voltage at a given current lies below nominal, V;
            positive carries more current. ballast_ohm: its own resistor, Ω.
        joint_k_per_w: case to sink. state: "open" conducts nothing; "shorted" is collector to
            emitter.
    """

    offset_v: float
    ballast_ohm: float
    joint_k_per_w: float = 0.6
    state: Literal["good", "open", "shorted"] = "good"


@dataclass(frozen=True, slots=True)
class LegSpec:
    """One push-pull half-bridge and the amplifier around it: one power stage.

    Args:
        side: "" for a single-ended channel, else "pos" or "neg".
        upper, lower: the paralleled devices of each half.
        bias_shift_v: how far the bias between the bases is from nominal, V.
        bias_sensor_k_per_w: from sink to the bias transistor. It loses heat to the air through
            ``HeatSpec.bias_air_k_per_w``; the ratio is how well the bias follows the sink.
        offset_v: DC at the output, V. gain: signed voltage gain of this leg.
        offset_v_per_k: what comes to it per kelvin of the bias transistor above 25 °C.
        offset_step_v: what comes to it while the bias transistor is warmer than offset_step_c.
        offset_per_v: what comes to it per volt of the mean magnitude that the leg is driven to.
        limit_a, limit_s: the upper half's protection holds its current to this, A, where what
            ``limit_s`` has smoothed of it is beyond; inf: it never does. Means are not told of it.
        low_cut_hz, pole_hz: input coupling and closed-loop bandwidth, −3 dB.
        stage: its number, from 1, among those in parallel at one terminal; 0: it is alone there.
            earlier: devices of each half that belong to the stages before it.
        output_ohm: its output ballast, outside its feedback. joint_ohm: from it to that ballast.
    """

    side: str
    upper: tuple[DeviceSpec, ...]
    lower: tuple[DeviceSpec, ...]
    gain: float
    offset_v: float = 0.0
    offset_v_per_k: float = 0.0
    offset_step_v: float = 0.0
    offset_step_c: float = 45.0
    offset_per_v: float = 0.0
    limit_a: float = math.inf
    limit_s: float = 5e-3
    bias_shift_v: float = 0.0
    bias_sensor_k_per_w: float = 5.0
    low_cut_hz: float = 2.0
    pole_hz: float = 120e3
    stage: int = 0
    earlier: int = 0
    output_ohm: float = 0.0
    joint_ohm: float = 0.0

    @property
    def siemens(self) -> float:
        """Of the way from a paralleled stage to its terminal."""
        return 1.0 / (self.output_ohm + self.joint_ohm)

    def numbered(self, half: str) -> Iterator[tuple[int, DeviceSpec]]:
        """Its devices of a half, each with its number, from 1, at its terminal."""
        return enumerate(self.half(half), self.earlier + 1)

    def half(self, name: str) -> tuple[DeviceSpec, ...]:
        return self.upper if name == "upper" else self.lower


@dataclass(frozen=True, slots=True)
class RelaySpec:
    """Output relay: pull-in after the rails are up, release after they fell, Ω of the contact.

    It opens on DC of more than ``dc_trip_v`` between an output and its middle (common practice for
    speaker protection). ``contact`` is how well it holds; ``film_v`` is what a film on it keeps
    from current into the load, and not from current out of it.
    """

    pull_in_s: float = 4.0
    release_s: float = 0.05
    contact_ohm: float = 0.015
    never_closes: bool = False
    dc_trip_v: float = 1.5
    contact: Intermittent = SOUND
    film_v: float = 0.0


@dataclass(frozen=True, slots=True)
class NoiseSpec:
    """Disturbances of one channel.

    Args:
        white_v_rt_hz: at the input. flicker_hz: where flicker noise equals the white.
        hum_v: peak at the output, of the doubled line frequency with its harmonics.
        line_v: peak at the output, of the line frequency.
        burst_v: typical height of a random burst at the output; 0 = none.
        burst_rate_hz: bursts per second with the sink at 25 °C. burst_warming_k: what doubles it.
        crackle_v: typical height of a crackle that comes every ``crackle_every_s`` on average,
            warm or cold; 0 = none.
        hum_per_a: peak at the output, of the doubled line frequency with its harmonics, per ampere
            of a rail's current above ``hum_from_a``. line_per_a: the same of the line frequency
            and its odd multiples, as of a charging current that differs from half to half.
    """

    white_v_rt_hz: float = 18e-9
    flicker_hz: float = 150.0
    hum_v: float = 60e-6
    line_v: float = 30e-6
    burst_v: float = 0.0
    burst_rate_hz: float = 0.8
    burst_warming_k: float = 12.0
    crackle_v: float = 0.0
    crackle_every_s: float = 15.0
    hum_per_a: float = 0.0
    line_per_a: float = 0.0
    hum_from_a: float = 0.25


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One channel.

    Args:
        legs: its power stages, those in parallel at one terminal behind one another.
        fed_by: the channel whose socket leads to this one; its own where none is named.
        crosstalk: from the others at 1 kHz, capacitive: it grows with frequency.
        contact: in the signal path before the power stage.
        ground, ground_v: while this contact is open, so much hum of the line (peak) is at the
            output. kick, kick_v: while this is "open", so much DC is added there.
        warm, warm_c: what the channel becomes while the heatsink is warmer than this; thermal
            paths stay as they were.
    """

    name: str
    legs: tuple[LegSpec, ...]
    relay: RelaySpec
    noise: NoiseSpec = field(default_factory=NoiseSpec)
    input_ohm: float = 22e3
    section: SectionSpec | None = None
    fed_by: str = ""
    crosstalk: float = 1.8e-4
    contact: Intermittent = SOUND
    oscillation: Oscillation = STABLE
    thump: Thump = SILENT
    ground: Intermittent = SOUND
    ground_v: float = 0.0
    kick: Intermittent = SOUND
    kick_v: float = 0.0
    warm: Callable[[ChannelSpec], ChannelSpec] | None = None
    warm_c: float = 45.0

    @property
    def sides(self) -> tuple[str, ...]:
        """Its half-bridges: ("pos", "neg"), or ("",) when single-ended."""
        return tuple(dict.fromkeys(leg.side for leg in self.legs))


@dataclass(frozen=True, slots=True)
class HeatSpec:
    """Thermal network; K/W and J/K. ``ambient_c`` is the room when the bench is opened; it goes
    on by ``ambient_k_per_h``, up to 2 K.

    Args:
        convection_power: the sink gives off heat as its rise to one plus this power; it is
            ``sink_k_per_w`` at 30 K. slow_share, slow_s: this part of the sink's heat goes to the
            air by way of a chassis, which is that slow.
    """

    junction_k_per_w: float = 1.5
    junction_j_per_k: float = 0.05
    case_j_per_k: float = 8.0
    sink_k_per_w: float = 0.88
    sink_j_per_k: float = 520.0
    bias_j_per_k: float = 3.0
    bias_air_k_per_w: float = 70.0
    ambient_c: float = 23.0
    ambient_k_per_h: float = 0.0
    destroyed_above_c: float = 200.0
    convection_power: float = 0.0
    slow_share: float = 0.0
    slow_s: float = 1800.0


@dataclass(frozen=True, slots=True)
class RailSpec:
    """Feed of each rail inside the unit.

    Args:
        feed_ohm: fuse, wiring and connector in series. reservoir_f: capacitance. bleeder_ohm:
            discharges it. quiescent_a: the small-signal part of each channel, rails fully up.
        bias_sag_v: bias lost when the rails go from rated to nothing, through the multiplier's
            resistance. dead_v, alive_v: rail (smaller of the two) below which the bias does not
            exist, and above which it is complete.
        relay_threshold: part of the rated rail at which the output relay's timer starts.
        slow_ohm, slow_hz: what the rail gives way to current that changes more slowly than
            ``slow_hz``; the mean is held by the regulation, which is slower than any signal.
    """

    feed_ohm: float = 0.05
    reservoir_f: float = 6.8e-3
    bleeder_ohm: float = 4.7e3
    quiescent_a: float = 0.003
    bias_sag_v: float = 0.04
    dead_v: float = 2.0
    alive_v: float = 5.0
    relay_threshold: float = 0.8
    slow_ohm: float = 0.0
    slow_hz: float = 100.0


@dataclass(frozen=True, slots=True)
class PathSpec:
    """Signal path of every leg.

    Args:
        loop_gain, loop_pole_hz: feedback's loop gain at DC and its pole; their product is where
            it is one. slew_v_per_s: limit of the leg's output.
        drop_v: what the drivers keep between rail and output, V, besides ``drop_ohm`` · current.
        second, third: curvature of the voltage amplifier in open loop, fraction at full swing.
        most_a: what a half can be driven to.
    """

    loop_gain: float = 3000.0
    loop_pole_hz: float = 20.0
    slew_v_per_s: float = 12e6
    drop_v: float = 2.9
    drop_ohm: float = 0.22
    second: float = 0.02
    third: float = 0.01
    most_a: float = 8.0


@dataclass(frozen=True, slots=True)
class AmplifierSpec:
    model: str
    topology: Topology
    split: bool
    rail_voltage: float
    rated_power: float
    rated_load: float
    gain_db: float
    idle_current: float
    channels: tuple[ChannelSpec, ...]
    heat: HeatSpec = field(default_factory=HeatSpec)
    rails: RailSpec = field(default_factory=RailSpec)
    path: PathSpec = field(default_factory=PathSpec)
    inputs: tuple[str, ...] = ()
    headphones: bool = False
    standby_v: float | None = None
    ballasts_accessible: bool = True  # False: no lead can be put on them
    output_ballasts_accessible: bool = True

    @property
    def channel_names(self) -> tuple[str, ...]:
        return tuple(channel.name for channel in self.channels)

    def channel(self, name: str) -> ChannelSpec:
        for one in self.channels:
            if one.name == name:
                return one
        raise DemoError("no such channel", found=name, expected=", ".join(self.channel_names))

    def with_channel(self, name: str, change: Callable[[ChannelSpec], ChannelSpec]) -> Self:
        """The same amplifier with one channel changed."""
        self.channel(name)
        return replace(
            self, channels=tuple(change(c) if c.name == name else c for c in self.channels)
        )

    def with_legs(self, name: str, change: Callable[[LegSpec], LegSpec]) -> Self:
        """The same amplifier with every leg of one channel changed."""
        return self.with_channel(
            name, lambda c: replace(c, legs=tuple(change(leg) for leg in c.legs))
        )

    @classmethod
    def build(cls, unit: Mapping[str, object] | None, rng: np.random.Generator) -> Self:
        """From a unit sheet's values (see ``unit_values``); ``rng`` draws the parts."""
        values = unit_values(unit)
        topology = _choice(values, "topology", ("single_ended", "bridged", "parallel_bridged"))
        split = _choice(values, "rails", ("split", "single")) == "split"
        if topology == "single_ended" and not split:
            raise DemoError(
                "the simulated amplifier has no output coupling capacitor",
                found="single_ended from a single rail",
                expected="split rails, or a bridged output",
            )
        names = _names(values)
        idle = _number(values, "idle_current")
        gain = 10.0 ** (_number(values, "gain_db") / 20.0)
        devices = int(_number(values, "output_devices"))
        if not 1 <= devices <= 16:
            raise DemoError("output_devices", found=str(devices), expected="1 to 16")
        relay_s = _relay_delay(values)
        stages = stages_of(values)
        devices = stages * math.ceil(devices / stages)  # each stage has as many
        sides = ("",) if topology == "single_ended" else SIDES
        tolerance = _number(values, "ballast_tolerance")
        parts = _Parts(rng, _number(values, "ballast"), devices, tolerance)
        input_ohm = _number(values, "input_impedance") if values.get("input_impedance") else 22e3
        channels = []
        for name in names:
            channel_gain = gain * (1.0 + 0.006 * float(rng.uniform(-1.0, 1.0)))
            legs = []
            for side in sides:
                share = channel_gain if not side else channel_gain / 2.0
                legs.append(
                    LegSpec(
                        side=side,
                        upper=parts.half(),
                        lower=parts.half(),
                        gain=-share if side == "neg" else share,
                        offset_v=5e-3 * float(rng.uniform(-1.0, 1.0)),
                        bias_shift_v=TRIMMED_V + 2e-3 * float(rng.uniform(-1.0, 1.0)),
                    )
                )
            relay = RelaySpec(pull_in_s=relay_s * (1.0 + 0.05 * float(rng.uniform(-1.0, 1.0))))
            channels.append(ChannelSpec(name, tuple(legs), relay, input_ohm=input_ohm))
        rail = _number(values, "rail_voltage")
        power, load = _number(values, "rated_power"), _number(values, "rated_load")
        heat = _heat(values, len(names) * len(sides), rng)
        # What is drawn last leaves the draws above as they were.
        heat = replace(heat, ambient_k_per_h=float(rng.uniform(-1.0, 1.0)))
        rails = RailSpec(relay_threshold=float(rng.uniform(0.65, 0.95)))
        inputs = _inputs(values)
        if inputs:
            channels = [replace(c, section=SectionSpec.drawn(rng)) for c in channels]
        output_ohm = 0.0
        if stages > 1:
            told = values["output_ballast"] is not None
            output_ohm = _number(values, "output_ballast") if told else OUTPUT_BALLAST_OHM
            part = OutputBallast(output_ohm, _number(values, "output_ballast_tolerance"))
            for i, c in enumerate(channels):
                legs = [one for leg in c.legs for one in paralleled(leg, stages, part, rng)]
                channels[i] = replace(c, legs=tuple(legs))
        return cls(
            model=str(values["model"]),
            topology=topology,  # type: ignore[arg-type]
            split=split,
            rail_voltage=rail,
            rated_power=power,
            rated_load=load,
            gain_db=_number(values, "gain_db"),
            idle_current=idle,
            channels=tuple(channels),
            heat=heat,
            rails=rails,
            path=replace(
                PathSpec(), drop_v=_drop(values, len(names), len(sides), output_ohm / stages)
            ),
            inputs=inputs,
            headphones=bool(values.get("headphones", False)),
            standby_v=_number(values, "standby_voltage") if values.get("standby_voltage") else None,
            ballasts_accessible=(unit or {}).get("ballast", values["ballast"]) is not None,
            output_ballasts_accessible=values["output_ballast"] is not None,
        )


class _Parts:
    """Draws the devices."""

    def __init__(
        self, rng: np.random.Generator, ballast: float, count: int, tolerance: float
    ) -> None:
        self._rng, self._ballast, self._count = rng, ballast, count
        self._tolerance = tolerance

    def half(self) -> tuple[DeviceSpec, ...]:
        return tuple(
            DeviceSpec(
                offset_v=1.5e-3 * float(self._rng.uniform(-1.0, 1.0)),
                ballast_ohm=self._ballast
                * (1.0 + self._tolerance * float(self._rng.uniform(-1.0, 1.0))),
            )
            for _ in range(self._count)
        )


def _drop(values: Mapping[str, object], channels: int, sides: int, ballast_ohm: float) -> float:
    """Drop-out of the drivers that leaves an eighth more than rated power at 1 % distortion.

    A sine clipped to 1 % carries 1.0475 times the power of one that just reaches the clip level.
    A sheet that promises more than its rails can give gets the least drop-out there is.
    ``ballast_ohm``: the output ballasts between a terminal and its stages, all together.
    """
    power, load = _number(values, "rated_power"), _number(values, "rated_load")
    rail = _number(values, "rail_voltage")
    room = rail if values["rails"] == "split" else rail / 2.0
    peak_v = (2.0 * 1.125 * power * load / 1.0475) ** 0.5
    peak_a = peak_v / load
    sag = RailSpec().feed_ohm * channels * sides * peak_a / np.pi
    if values["rails"] != "split":
        sag /= 2.0  # the middle follows the rail
    lost = (PathSpec().drop_ohm + ballast_ohm) * peak_a
    return max(LEAST_DROP_V, float(room - peak_v / sides - lost - sag))


def _heat(values: Mapping[str, object], legs: int, rng: np.random.Generator) -> HeatSpec:
    """A sink that holds the unit at three quarters of its limit at an eighth of rated power.

    Class-B estimate for the dissipation, plus the idle power (any power-amplifier handbook).
    """
    rail = _number(values, "rail_voltage")
    power, load = _number(values, "rated_power"), _number(values, "rated_load")
    count = int(_number(values, "output_devices"))
    names = _names(values)
    split = values["rails"] == "split"
    total_rail = 2.0 * rail if split else rail
    peak_a = (2.0 * power / 8.0 / load) ** 0.5
    bridges = legs // len(names)
    # Every leg draws a half sine from one rail at a time: mean peak/π.
    drawn = len(names) * bridges * total_rail * peak_a / np.pi
    idle = legs * count * total_rail * _number(values, "idle_current")
    dissipated = drawn - len(names) * power / 8.0 + 0.35 * idle
    k_per_w = 0.75 * _number(values, "sink_rise_limit") / float(dissipated)
    k_per_w *= 1.0 + 0.03 * float(rng.uniform(-1.0, 1.0))
    seconds = 460.0 * (1.0 + 0.1 * float(rng.uniform(-1.0, 1.0)))
    ambient = 23.0 + float(rng.uniform(-1.0, 1.0))
    # A bigger sink for a bigger unit, the same time constant: common practice in castings.
    return HeatSpec(sink_k_per_w=k_per_w, sink_j_per_k=seconds / k_per_w, ambient_c=ambient)


def _number(values: Mapping[str, object], key: str) -> float:
    value = values[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not value > 0.0:
        raise DemoError(f"unit value {key!r}", found=repr(value), expected="a number above 0")
    return float(value)


def _choice(values: Mapping[str, object], key: str, allowed: Sequence[str]) -> str:
    value = values[key]
    if value not in allowed:
        raise DemoError(f"unit value {key!r}", found=repr(value), expected=", ".join(allowed))
    return str(value)


def _names(values: Mapping[str, object]) -> tuple[str, ...]:
    names = values["channels"]
    if isinstance(names, str) or not isinstance(names, Sequence) or not names:
        raise DemoError("unit value 'channels'", found=repr(names), expected="a list of names")
    return tuple(str(name) for name in names)


def _inputs(values: Mapping[str, object]) -> tuple[str, ...]:
    inputs = values.get("inputs") or ()
    if isinstance(inputs, str) or not isinstance(inputs, Sequence):
        raise DemoError("unit value 'inputs'", found=repr(inputs), expected="a list of names")
    return tuple(str(name) for name in inputs)


def _relay_delay(values: Mapping[str, object]) -> float:
    """One number, or the least and the most that a sheet allows: then a point between them."""
    delay = values["relay_delay"]
    if isinstance(delay, Sequence) and not isinstance(delay, str) and len(delay) == 2:
        low, high = (float(x) for x in delay)
        return low + 0.25 * (high - low)
    return _number(values, "relay_delay")
