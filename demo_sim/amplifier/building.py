"""An amplifier from a unit sheet's plain values, with the small differences from part to part that
a seed draws."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from demo_sim.amplifier.paralleled import (
    OUTPUT_BALLAST_OHM,
    OutputBallast,
    paralleled,
    stages_of,
)
from demo_sim.amplifier.passing import Thump
from demo_sim.amplifier.sections import SectionSpec
from demo_sim.amplifier.spec import (
    SIDES,
    AmplifierSpec,
    ChannelSpec,
    DeviceSpec,
    HeatSpec,
    LegSpec,
    OutputCapacitor,
    PathSpec,
    RailSpec,
    RelaySpec,
)
from demo_sim.amplifier.unit_values import unit_values
from demo_sim.errors import DemoError

LEAST_DROP_V = 0.4  # saturated drivers and output devices
CASES_SHARE = 0.4  # of a sink's heat capacity
LARGE_K_PER_W = 3.5  # a heatsink beside which bias transistors are nothing
USUAL_HZ = 7.0  # corner of an output capacitor that nobody tells
#: part of a rail that its reservoir leaves as ripple at full draw, behind a full-wave rectifier on
#: a mains of this many hertz: C = I / (2 f ΔV), a handbook relation, from memory; a tenth of the
#: rail is common practice. The next larger value of the E6 series (IEC 60063) is built in.
RIPPLE_SHARE, MAINS_HZ = 0.1, 50.0
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8, 10.0)
#: of what the low rails of a small unit stand above ground: where its bias begins, and is complete;
#: with rails of 9 V and more it is what any unit needs (our own choice)
DEAD_SHARE, ALIVE_SHARE = 0.22, 0.55
#: set after some minutes at idle, so a little low when cold; more where a device idles at more
TRIMMED_V, TRIMMED_AT_W = -5e-3, 1.0


def build(unit: Mapping[str, object] | None, rng: np.random.Generator) -> AmplifierSpec:
    """From a unit sheet's values (see ``unit_values``); ``rng`` draws the parts."""
    values = unit_values(unit)
    topology = _choice(values, "topology", ("single_ended", "bridged", "parallel_bridged"))
    split = _choice(values, "rails", ("split", "single")) == "split"
    names = _names(values)
    gain = 10.0 ** (_number(values, "gain_db") / 20.0)
    devices = int(_number(values, "output_devices"))
    if not 1 <= devices <= 16:
        raise DemoError("output_devices", found=str(devices), expected="1 to 16")
    relay_s = _relay_delay(values)
    stages = stages_of(values)
    devices = stages * math.ceil(devices / stages)  # each stage has as many
    sides = ("",) if topology == "single_ended" else SIDES
    idle = _idle(values, len(names) * len(sides) * devices)
    values = {**values, "idle_current": idle}
    tolerance = _number(values, "ballast_tolerance")
    parts = _Parts(rng, _number(values, "ballast"), devices, tolerance)
    input_ohm = _number(values, "input_impedance") if values.get("input_impedance") else 22e3
    watts = idle * _number(values, "rail_voltage") / (1.0 if split else 2.0)
    if values["stage"] == "integrated":  # all devices of a stage warm one case
        joint, alone = DeviceSpec(0.0, 0.0).joint_k_per_w, HeatSpec().junction_k_per_w
        watts *= (alone + joint * 2.0 * devices / stages) / (alone + joint)
    trimmed_v = TRIMMED_V * max(1.0, watts / TRIMMED_AT_W)
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
                    bias_shift_v=trimmed_v + 2e-3 * float(rng.uniform(-1.0, 1.0)),
                )
            )
        relay = RelaySpec(pull_in_s=relay_s * (1.0 + 0.05 * float(rng.uniform(-1.0, 1.0))))
        channels.append(ChannelSpec(name, tuple(legs), relay, input_ohm=input_ohm))
    rail = _number(values, "rail_voltage")
    power, load = _number(values, "rated_power"), _number(values, "rated_load")
    heat = _heat(values, len(names) * len(sides), rng)
    channels = [replace(c, legs=tuple(_following(leg, heat) for leg in c.legs)) for c in channels]
    # What is drawn last leaves the draws above as they were.
    heat = replace(heat, ambient_k_per_h=float(rng.uniform(-1.0, 1.0)))
    rails = _rails(values, len(names) * len(sides), devices, float(rng.uniform(0.65, 0.95)))
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
    if topology == "single_ended" and not split:
        channels = [_through_capacitor(c, values) for c in channels]
    return AmplifierSpec(
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
        path=replace(PathSpec(), drop_v=_drop(values, len(names), len(sides), output_ohm / stages)),
        inputs=inputs,
        headphones=bool(values.get("headphones", False)),
        standby_v=_number(values, "standby_voltage") if values.get("standby_voltage") else None,
        ballasts_accessible=bool(values["ballasts_in_reach"]),
        output_ballasts_accessible=values["output_ballast"] is not None,
        integrated=_choice(values, "stage", ("discrete", "integrated")) == "integrated",
        cases_accessible=bool(values["cases"]),
    )


def _idle(values: Mapping[str, object], paths: int) -> float:
    """A through each output device at idle: as told, or its part of what each rail gives beside the
    small-signal stages."""
    if values["idle_current"] is not None:
        return _number(values, "idle_current")
    rail = _number(values, "supply_idle")
    return max(rail - len(_names(values)) * RailSpec().quiescent_a, 0.1 * rail) / paths


def _rails(
    values: Mapping[str, object], sides: int, devices: int, relay_threshold: float
) -> RailSpec:
    """Reservoirs for the most that the unit draws; bleeders that empty smaller ones as soon, and
    take no more than the usual where they are larger; a bias that lives on the rails there are.

    Args:
        sides: half-bridges of all channels. devices: in parallel in each of their halves.
    """
    usual = RailSpec()
    rail, load = _number(values, "rail_voltage"), _number(values, "rated_load")
    swing = sides * (2.0 * _number(values, "rated_power") / load) ** 0.5 / math.pi
    idle = sides * devices * _number(values, "idle_current")
    drawn = max(swing, idle)
    drawn += min(idle, 3.0 * idle * idle / drawn)  # what is left of it beside the swing
    farads = _preferred(drawn / (2.0 * MAINS_HZ * RIPPLE_SHARE * rail))
    room = rail if values["rails"] == "split" else 0.5 * rail
    return RailSpec(
        reservoir_f=farads,
        bleeder_ohm=usual.bleeder_ohm * max(1.0, usual.reservoir_f / farads),
        dead_v=min(usual.dead_v, DEAD_SHARE * room),
        alive_v=min(usual.alive_v, ALIVE_SHARE * room),
        relay_threshold=relay_threshold,
    )


def _preferred(value: float) -> float:
    """The next larger value of the E6 series."""
    decade = 10.0 ** math.floor(math.log10(value))
    return next(step for step in E6 if step * decade >= 0.995 * value) * decade


def _through_capacitor(channel: ChannelSpec, values: Mapping[str, object]) -> ChannelSpec:
    """A channel with a capacitor between its stage and its terminal. What it is not yet charged to
    as the relay closes goes through the load."""
    load, farads = _number(values, "rated_load"), _capacitor(values)
    part = OutputCapacitor(farads)
    missing = math.exp(-channel.relay.pull_in_s / (part.bleed_ohm * farads))
    middle = 0.5 * _number(values, "rail_voltage")
    thump = Thump(on_v=middle * missing, on_s=load * farads)
    return replace(channel, capacitor=part, thump=thump)


def _capacitor(values: Mapping[str, object]) -> float:
    """F of an output capacitor."""
    if values["output_capacitor"] is not None:
        return _number(values, "output_capacitor")
    return float(1.0 / (2.0 * np.pi * _number(values, "rated_load") * USUAL_HZ))


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
    if values["rails"] != "split" and sides == 1:
        # What its capacitor takes away at the low end of the band is made up for.
        corner_hz = 1.0 / (2.0 * np.pi * load * _capacitor(values))
        power *= 1.0 + (corner_hz / _number(values, "rated_low")) ** 2
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
    # One that idles at a good part of what it swings, or above it, is hot at rest already.
    left = 0.5 * min(idle, 3.0 * idle**2 / drawn)
    dissipated = max(dissipated, idle, drawn + left - len(names) * power / 8.0)
    k_per_w = 0.75 * _number(values, "sink_rise_limit") / float(dissipated)
    k_per_w *= 1.0 + 0.03 * float(rng.uniform(-1.0, 1.0))
    seconds = 460.0 * (1.0 + 0.1 * float(rng.uniform(-1.0, 1.0)))
    ambient = 23.0 + float(rng.uniform(-1.0, 1.0))
    # A bigger sink for a bigger unit, the same time constant: common practice in castings.
    # Beside a small heatsink the heat of bias transistors would count: they are smaller too.
    smaller = max(1.0, k_per_w / LARGE_K_PER_W)
    usual = HeatSpec()
    # The cases of all devices together hold no more heat than a part of what the sink does.
    stages = stages_of(values)
    cases = 2 * legs * stages * math.ceil(count / stages)
    return HeatSpec(
        case_j_per_k=min(usual.case_j_per_k, CASES_SHARE * seconds / k_per_w / cases),
        sink_k_per_w=k_per_w,
        sink_j_per_k=seconds / k_per_w,
        ambient_c=ambient,
        bias_air_k_per_w=usual.bias_air_k_per_w * smaller,
        bias_j_per_k=usual.bias_j_per_k / smaller,
    )


def _following(leg: LegSpec, heat: HeatSpec) -> LegSpec:
    """A stage whose bias follows a small heatsink as well as any does a large one."""
    smaller = heat.bias_air_k_per_w / HeatSpec().bias_air_k_per_w
    return replace(leg, bias_sensor_k_per_w=leg.bias_sensor_k_per_w * smaller)


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
