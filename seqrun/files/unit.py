"""The unit sheet: ratings and topology of the amplifier, and the points that follow from them.

Nodes are ``ground``, ``rail.pos``, ``rail.neg`` (split rails), ``in.<channel>``, ``out.<channel>``
or, where neither speaker terminal is ground, ``out.<channel>.pos`` and ``.neg``, and the two ends
of each ballast resistor. A point is a named pair of nodes between which something is measured;
the reading is positive when current flows from hot to cold.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from seqrun.files.common import FileModel, Problem, load, load_text
from seqrun.files.shipped import find
from seqrun.quantity import (
    Amperes,
    Decibels,
    Fraction,
    Hertz,
    Kelvins,
    Ohms,
    Quantity,
    Seconds,
    Volts,
    Watts,
    render,
)

Topology = Literal["single_ended", "bridged", "parallel_bridged"]
Rails = Literal["split", "single"]
Word = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
HALVES = ("upper", "lower")
SIDES = ("pos", "neg")


@dataclass(frozen=True, slots=True)
class Point:
    """A named pair of nodes, and where that is in plain words."""

    name: str
    hot: str
    cold: str
    words: str


@dataclass(frozen=True, slots=True)
class Ballast:
    """One ballast resistor: whose it is. ``side`` is "" unless the output is bridged."""

    channel: str
    side: str
    half: str
    device: int

    @property
    def name(self) -> str:
        """As in points and nodes: ``left.upper.1`` or ``left.pos.upper.1``."""
        parts = (self.channel, self.side, self.half, str(self.device))
        return ".".join(part for part in parts if part)

    @property
    def words(self) -> str:
        side = f", half-bridge of the {_terminal(self.side)} terminal" if self.side else ""
        return (
            f"across the ballast resistor of {self.half} output device {self.device}"
            f"{side}, {self.channel} channel"
        )


def _terminal(side: str) -> str:
    return {"pos": "+", "neg": "-"}[side]


def _delay(value: Any) -> Any:
    return [value, value] if isinstance(value, str) else value


_DELAY = {
    "anyOf": [
        {"type": "string"},
        {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2},
    ]
}


class Unit(FileModel):
    """The unit under test, as its sheet says."""

    model: Annotated[str, StringConstraints(min_length=1, max_length=80)] = Field(
        description='a name such as "Demo 2x40"'
    )
    channels: Annotated[tuple[Word, ...], Field(min_length=1, max_length=16)] = Field(
        description='a list such as ["left", "right"]'
    )
    topology: Topology = Field(
        description='"single_ended", or "bridged" / "parallel_bridged" when neither terminal is '
        "ground"
    )
    rails: Rails = Field(description='"split" (plus and minus) or "single"')
    rail_voltage: Volts = Field(gt=0, le=400, description='each rail to ground, such as "30 V"')
    rated_power: Watts = Field(gt=0, description='per channel into rated_load, such as "40 W"')
    rated_load: Ohms = Field(gt=0, description='such as "8 Ω"')
    gain: Decibels = Field(
        ge=-40, le=80, description='voltage gain from input to output, such as "29 dB"'
    )
    output_devices: int = Field(
        ge=1, le=16, description="output devices in parallel in each half, such as 2"
    )
    ballast: Ohms = Field(gt=0, description='resistor at each output device, such as "0.22 Ω"')
    ballast_tolerance: Fraction = Field(0.05, gt=0, lt=0.5, description='such as "5 %"')
    sink_rise_limit: Kelvins = Field(
        gt=0, description='largest rise of the heatsink over ambient, such as "40 K"'
    )
    idle_current: Amperes = Field(gt=0, description='of each output device, cold, as "25 mA"')
    idle_current_tolerance: Fraction = Field(0.4, gt=0, lt=1, description='such as "40 %"')
    relay_delay: Annotated[
        tuple[Seconds, Seconds], BeforeValidator(_delay), WithJsonSchema(_DELAY)
    ] = Field((2.0, 10.0), description='speaker relay closes after, such as ["2 s", "10 s"]')
    supply_idle: Amperes | None = Field(
        None, gt=0, description="current from each rail at idle, when known"
    )
    input_impedance: Ohms | None = Field(None, gt=0)
    rated_thd: Fraction = Field(0.01, gt=0, le=0.5, description='distortion at rated power, "1 %"')
    power_frequency: Hertz = Field(1000.0, gt=0, description='frequency of the power test, "1 kHz"')
    rated_band: Annotated[
        tuple[Hertz, Hertz], Field(description='band of rated power, as ["20 Hz", "20 kHz"]')
    ] = (20.0, 20e3)
    inverting: bool = Field(False, description="true when the outputs are inverted by design")
    inputs: tuple[Word, ...] = Field((), description='selectable inputs, as ["line", "phono"]')
    headphones: bool = Field(False, description="true when there is a headphone output")
    standby_voltage: Volts | None = Field(None, gt=0, description='standby rail, such as "5 V"')
    cautions: tuple[str, ...] = Field((), description="cautions that this model needs")

    @property
    def bridged(self) -> bool:
        """True when neither speaker terminal is ground."""
        return self.topology != "single_ended"

    @property
    def sides(self) -> tuple[str, ...]:
        """Half-bridges of a channel: ("pos", "neg"), or ("",) when single-ended."""
        return SIDES if self.bridged else ("",)

    @property
    def largest_peak(self) -> float:
        """The most the output can swing to one side across the load, volts, with no losses."""
        rail = self.rail_voltage if self.rails == "split" else self.rail_voltage / 2.0
        return rail * (2.0 if self.bridged else 1.0)

    @property
    def rated_voltage(self) -> float:
        """Output voltage at rated power, volts r.m.s."""
        return math.sqrt(self.rated_power * self.rated_load)

    @property
    def rail_names(self) -> tuple[str, ...]:
        return ("rail.pos", "rail.neg") if self.rails == "split" else ("rail.pos",)

    @property
    def expected_supply_current(self) -> float:
        """From each rail of a healthy unit at idle, cold, all channels, amperes.

        The sheet's ``supply_idle``, or the idle current of all paths from rail to rail; driver
        stages add a little, which the tolerance covers.
        """
        if self.supply_idle is not None:
            return self.supply_idle
        paths = len(self.channels) * len(self.sides) * self.output_devices
        return paths * self.idle_current

    def supply_current_at(self, power: float) -> float:
        """Mean current from each rail with every channel at ``power`` watts into rated_load.

        A class-B half carries half a sine, mean peak/π (any power-amplifier handbook); both
        half-bridges of a bridged output draw from the same rail. The idle current is the least.
        """
        peak = math.sqrt(2.0 * power / self.rated_load)
        swing = len(self.channels) * peak / math.pi * len(self.sides)
        return max(self.expected_supply_current, swing)

    def ballasts(self) -> Iterator[Ballast]:
        """Every ballast resistor, in order of channel, side, half, device."""
        for channel in self.channels:
            for side in self.sides:
                for half in HALVES:
                    for device in range(1, self.output_devices + 1):
                        yield Ballast(channel, side, half, device)

    def points(self) -> dict[str, Point]:
        """Every point by name."""
        return self._points

    def point(self, name: str) -> Point:
        """A point by name.

        Raises:
            KeyError: when there is none.
        """
        return self._points[name]

    @cached_property
    def _points(self) -> dict[str, Point]:
        return {point.name: point for point in self._all_points()}

    def _all_points(self) -> Iterator[Point]:
        for rail in self.rail_names:
            sign = "positive" if rail.endswith("pos") else "negative"
            yield Point(rail, rail, "ground", f"the {sign} supply rail, against ground")
        if self.standby_voltage is not None:
            yield Point("standby", "standby", "ground", "the standby rail, against ground")
        for channel in self.channels:
            what = "power-stage input (the plug before the power stage)" if self.inputs else "input"
            node = f"in.{channel}"
            yield Point(node, node, "ground", f"the {channel} {what}, against ground")
            for name in self.inputs:
                node = f"in.{channel}.{name}"
                yield Point(node, node, "ground", f"the {channel} {name} input, against ground")
            yield self._output(channel)
            if self.bridged:
                for side in SIDES:
                    node = f"out.{channel}.{side}"
                    yield Point(
                        node,
                        node,
                        "ground",
                        f"the {_terminal(side)} speaker terminal of the {channel} channel, "
                        "against ground",
                    )
            if self.headphones:
                node = f"phones.{channel}"
                yield Point(
                    node, node, "ground", f"the {channel} headphone contact, against ground"
                )
        for ballast in self.ballasts():
            name = f"ballast.{ballast.name}"
            yield Point(name, f"{name}.hot", f"{name}.cold", ballast.words)
        yield Point(
            "sensor.sink", "sensor.sink.hot", "sensor.sink.cold", "the sensor on the heatsink"
        )
        yield Point(
            "sensor.ambient",
            "sensor.ambient.hot",
            "sensor.ambient.cold",
            "the sensor in the air beside the unit, away from its heat",
        )

    def _output(self, channel: str) -> Point:
        name = f"out.{channel}"
        if self.bridged:
            words = (
                f"the two {channel} speaker terminals, + and -, neither of which is ground: "
                "never an earthed clip on either"
            )
            return Point(name, f"{name}.pos", f"{name}.neg", words)
        return Point(name, name, "ground", f"the {channel} speaker terminals, + against - (ground)")

    @cached_property
    def nodes(self) -> frozenset[str]:
        """Every node that a lead can be on."""
        ends = {node for point in self._points.values() for node in (point.hot, point.cold)}
        return frozenset(ends | {"ground"})

    def names(self) -> dict[str, Quantity]:
        """Names that limits may use, with their values in base units."""
        low, high = (self.idle_current * (1 + s * self.idle_current_tolerance) for s in (-1, 1))
        return {
            "rail_voltage": Quantity(self.rail_voltage, "V"),
            "rated_power": Quantity(self.rated_power, "W"),
            "rated_load": Quantity(self.rated_load, "Ω"),
            "rated_voltage": Quantity(self.rated_voltage, "V"),
            "rated_current": Quantity(self.rated_voltage / self.rated_load, "A"),
            "rated_thd": Quantity(self.rated_thd, ""),
            "power_frequency": Quantity(self.power_frequency, "Hz"),
            "rated_band_low": Quantity(self.rated_band[0], "Hz"),
            "rated_band_high": Quantity(self.rated_band[1], "Hz"),
            "gain": Quantity(self.gain, "dB"),
            "input_sensitivity": Quantity(self.rated_voltage / 10 ** (self.gain / 20), "V"),
            "output_devices": Quantity(float(self.output_devices), ""),
            "ballast": Quantity(self.ballast, "Ω"),
            "ballast_tolerance": Quantity(self.ballast_tolerance, ""),
            "sink_rise_limit": Quantity(self.sink_rise_limit, "K"),
            "idle_current": Quantity(self.idle_current, "A"),
            "idle_current_low": Quantity(low, "A"),
            "idle_current_high": Quantity(high, "A"),
            "idle_current_tolerance": Quantity(self.idle_current_tolerance, ""),
            "supply_idle": Quantity(self.expected_supply_current, "A"),
            "supply_at_rated_power": Quantity(self.supply_current_at(self.rated_power), "A"),
            "relay_delay_least": Quantity(self.relay_delay[0], "s"),
            "relay_delay_most": Quantity(self.relay_delay[1], "s"),
            **(
                {}
                if self.standby_voltage is None
                else {"standby_voltage": Quantity(self.standby_voltage, "V")}
            ),
        }

    def plain(self) -> dict[str, Any]:
        """Plain values for the simulated bench, SI floats: see its ``open_bench``."""
        return {
            "model": self.model,
            "channels": list(self.channels),
            "topology": self.topology,
            "rails": self.rails,
            "rail_voltage": self.rail_voltage,
            "rated_power": self.rated_power,
            "rated_load": self.rated_load,
            "gain_db": self.gain,
            "output_devices": self.output_devices,
            "ballast": self.ballast,
            "ballast_tolerance": self.ballast_tolerance,
            "sink_rise_limit": self.sink_rise_limit,
            "idle_current": self.idle_current,
            "relay_delay": sum(self.relay_delay) / 2.0,
            "input_impedance": self.input_impedance,
            "inputs": list(self.inputs),
            "headphones": self.headphones,
            "standby_voltage": self.standby_voltage,
        }

    @classmethod
    def from_text(cls, text: str, path: str | Path = "unit sheet") -> Self:
        """A sheet from TOML text in memory."""
        return load_text(cls, text, Path(path), _contradictions)


#: unit of each name that limits may use: the same for every unit sheet
UNIT_OF_NAME: dict[str, str] = {
    "rail_voltage": "V",
    "rated_power": "W",
    "rated_load": "Ω",
    "rated_voltage": "V",
    "rated_current": "A",
    "rated_thd": "",
    "power_frequency": "Hz",
    "rated_band_low": "Hz",
    "rated_band_high": "Hz",
    "gain": "dB",
    "input_sensitivity": "V",
    "output_devices": "",
    "ballast": "Ω",
    "ballast_tolerance": "",
    "sink_rise_limit": "K",
    "idle_current": "A",
    "idle_current_low": "A",
    "idle_current_high": "A",
    "idle_current_tolerance": "",
    "supply_idle": "A",
    "supply_at_rated_power": "A",
    "relay_delay_least": "s",
    "relay_delay_most": "s",
    "standby_voltage": "V",  # of units that have a standby rail
}


def _contradictions(unit: Unit) -> Iterable[Problem]:
    for key in ("channels", "inputs"):
        names = getattr(unit, key)
        for name in sorted({n for n in names if names.count(n) > 1}):
            yield Problem(key, f"'{name}' stands twice", "each name once")
    for name in sorted(set(unit.channels) & set(SIDES)):
        yield Problem("channels", f"'{name}' is the name of a terminal", "another name")
    least, most = unit.relay_delay
    if least > most or least < 0:
        found = f"from {render(least, 's')} to {render(most, 's')}"
        yield Problem("relay_delay", found, "the shorter time first, neither negative")
    low, high = unit.rated_band
    if not 0.0 < low < high:
        found = f"from {render(low, 'Hz')} to {render(high, 'Hz')}"
        yield Problem("rated_band", found, "the lower end first, above zero")
    need = unit.rated_voltage * math.sqrt(2.0)
    if need > unit.largest_peak:
        yield Problem(
            "rated_power",
            f"{render(unit.rated_power, 'W')} into {render(unit.rated_load, 'Ω')} needs "
            f"{render(need, 'V', digits=3)} peak, and a {unit.topology} output on {unit.rails} "
            f"rails of {render(unit.rail_voltage, 'V')} reaches "
            f"{render(unit.largest_peak, 'V', digits=3)}",
            "ratings that the rails can reach",
        )


def load_unit(name: str | Path, beside: Path | None = None) -> Unit:
    """A unit sheet by the name of a shipped one or by path.

    Args:
        beside: the file that names it; relative paths start from its folder.

    Raises:
        FileError: missing, or with something wrong in it.
    """
    return load(Unit, find("unit", name, beside), _contradictions)
