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
from functools import cached_property, partial
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from seqrun.errors import UnitLacks
from seqrun.files.common import FileModel, Problem, load, load_text
from seqrun.files.shipped import find
from seqrun.quantity import (
    Amperes,
    Celsius,
    Decibels,
    Fraction,
    Hertz,
    Kelvins,
    Ohms,
    Quantity,
    QuantityError,
    Seconds,
    Volts,
    Watts,
    custom_error,
    example,
    kind,
    parse,
    render,
)

Topology = Literal["single_ended", "bridged", "parallel_bridged"]
Rails = Literal["split", "single"]
Stage = Literal["discrete", "integrated"]
OwnSupply = Literal["none", "linear", "switching"]
#: what a sheet may say instead of a figure
Untold = Literal["not accessible", "unknown"]
UNTOLD: tuple[Untold, ...] = ("not accessible", "unknown")
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


def _figure_or_untold(value: Any, *, unit: str) -> Any:
    """A quantity above zero, or in words that it cannot be had."""
    if value in UNTOLD:
        return value
    wanted = f'{kind(unit)}, {example(unit)}, "not accessible" or "unknown"'
    try:
        found = parse(value, unit) if isinstance(value, str) else None
    except QuantityError as problem:
        raise custom_error(problem.found, wanted) from problem
    if found is None or not found > 0.0:
        raise custom_error(f"{value!r} is no such quantity", f"{wanted}; above 0")
    return found


def _count_or_untold(value: Any) -> Any:
    if value in UNTOLD or (type(value) is int and 1 <= value <= 16):
        return value
    raise custom_error(f"{value!r}", 'a whole number from 1 to 16, "not accessible" or "unknown"')


_WORDS = {"enum": list(UNTOLD)}
_COUNT = {"anyOf": [{"type": "integer", "minimum": 1, "maximum": 16}, _WORDS]}
_FIGURE = WithJsonSchema({"type": "string"})
OhmsOrUntold = Annotated[
    float | Untold, BeforeValidator(partial(_figure_or_untold, unit="Ω")), _FIGURE
]
AmperesOrUntold = Annotated[
    float | Untold, BeforeValidator(partial(_figure_or_untold, unit="A")), _FIGURE
]
CountOrUntold = Annotated[int | Untold, BeforeValidator(_count_or_untold), WithJsonSchema(_COUNT)]

#: what is said of each thing that a sheet may hold back
_HELD_BACK = {
    "output_devices": "its output devices",
    "ballast": "its ballast resistors",
    "idle_current": "the idle current of its output devices",
}

BRIDGED_CAUTION = (
    "Bridged output: both speaker terminals are live. Never connect ground, an earthed clip or a "
    "common return to either of them."
)

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
    output_devices_told: CountOrUntold = Field(
        alias="output_devices",
        description='output devices in parallel in each half, such as 2, or "not accessible" or '
        '"unknown"',
    )
    ballast_told: OhmsOrUntold = Field(
        alias="ballast",
        description='resistor at each output device, such as "0.22 Ω", or "not accessible" or '
        '"unknown"',
    )
    ballast_tolerance: Fraction = Field(0.05, gt=0, lt=0.5, description='such as "5 %"')
    sink_rise_limit: Kelvins = Field(
        gt=0, description='largest rise of the heatsink over ambient, such as "40 K"'
    )
    sink_time_constant: Seconds | None = Field(
        None, gt=0, description="of the heatsink, when a soak has told it: the plan counts with it"
    )
    idle_current_told: AmperesOrUntold = Field(
        alias="idle_current",
        description='of each output device, cold, as "25 mA", or "not accessible" or "unknown"',
    )
    idle_current_tolerance: Fraction = Field(0.4, gt=0, lt=1, description='such as "40 %"')
    relay_delay: Annotated[
        tuple[Seconds, Seconds], BeforeValidator(_delay), WithJsonSchema(_DELAY)
    ] = Field((2.0, 10.0), description='speaker relay closes after, such as ["2 s", "10 s"]')
    supply_idle: Amperes | None = Field(
        None,
        gt=0,
        description="current from each rail at idle, when known; it must be when idle_current or "
        "output_devices are not: first power is watched against it",
    )
    stage: Stage = Field(
        "discrete", description='"discrete" output devices, or "integrated" power stages'
    )
    paralleled: int = Field(
        1, ge=1, le=8, description="power stages in parallel at each speaker terminal, such as 2"
    )
    output_ballast: OhmsOrUntold | None = Field(
        None,
        description="resistor from each of the paralleled power stages to its terminal, such as "
        '"0.1 Ω", or "not accessible" or "unknown"',
    )
    sink_limit: Celsius | None = Field(
        None, description='hottest that the heatsink may be at idle, such as "65 °C", when told'
    )
    own_supply: OwnSupply = Field(
        "none", description='its own mains supply: "none", "linear" or "switching"'
    )
    start_up: Seconds | None = Field(
        None, gt=0, description='its own supply has its rails up after at most, such as "5 s"'
    )
    input_mute: Seconds = Field(
        0.0, ge=0, le=60, description="the output is muted this long when the input is changed"
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
    cautions_told: tuple[str, ...] = Field(
        (),
        alias="cautions",
        description="cautions that this model needs; a bridged one has its own",
    )

    @property
    def cautions(self) -> tuple[str, ...]:
        """The sheet's own, and before them what the topology brings."""
        return (*((BRIDGED_CAUTION,) if self.bridged else ()), *self.cautions_told)

    @property
    def held_back(self) -> dict[str, str]:
        """Keys that have no figure, each with the reason in words."""
        return {
            key: f"{said} on this unit: {what}" if said == "not accessible" else f"unknown: {what}"
            for key, what in _HELD_BACK.items()
            if (said := getattr(self, f"{key}_told")) in UNTOLD
        }

    @property
    def withheld(self) -> dict[str, str]:
        """Names that limits may use and that have no value on this unit, each with the reason."""
        return {
            name: reason
            for key, reason in self.held_back.items()
            for name in _FROM.get(key, (key,))
        }

    def _figure(self, key: str) -> float:
        """The figure of a key that may have none.

        Raises:
            UnitLacks: it has none.
        """
        value = getattr(self, f"{key}_told")
        if isinstance(value, str):
            raise UnitLacks(
                self.held_back[key],
                expected=f"a figure for {key} in the unit sheet",
                where=self.model,
            )
        return float(value)

    @property
    def output_devices(self) -> int:
        """Devices in parallel in each half.

        Raises:
            UnitLacks: the sheet tells none.
        """
        return int(self._figure("output_devices"))

    @property
    def ballast(self) -> float:
        """Resistor at each output device, Ω.

        Raises:
            UnitLacks: the sheet tells none.
        """
        return self._figure("ballast")

    @property
    def idle_current(self) -> float:
        """Of each output device, cold, A.

        Raises:
            UnitLacks: the sheet tells none.
        """
        return self._figure("idle_current")

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

    @property
    def devices_named(self) -> int:
        """Devices of each half that have a name: all of them, or one for all where the sheet does
        not tell how many there are."""
        told = self.output_devices_told
        return told if isinstance(told, int) else 1

    def ballasts(self) -> Iterator[Ballast]:
        """Every ballast resistor, in order of channel, side, half, device.

        Where the sheet does not tell how many there are, one stands for all of each half: what is
        to be read there is left out with its reason, and has a name all the same.
        """
        for channel in self.channels:
            for side in self.sides:
                for half in HALVES:
                    for device in range(1, self.devices_named + 1):
                        yield Ballast(channel, side, half, device)

    def paralleled_stages(self) -> Iterator[tuple[str, str, str]]:
        """Channel, side and number of each power stage whose output ballast can be measured
        across; none where there is no such resistor to be reached."""
        if self.paralleled > 1 and isinstance(self.output_ballast, float):
            for channel in self.channels:
                for side in self.sides:
                    for number in range(1, self.paralleled + 1):
                        yield channel, side, str(number)

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
        for channel, side, number in self.paralleled_stages():
            name = ".".join(part for part in ("output_ballast", channel, side, number) if part)
            terminal = f" at the {_terminal(side)} terminal" if side else ""
            words = (
                f"across the output ballast of power stage {number}{terminal}, {channel} channel"
            )
            yield Point(name, f"{name}.hot", f"{name}.cold", words)
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
        told: dict[str, Quantity] = {}
        if isinstance(self.output_devices_told, int):
            told["output_devices"] = Quantity(float(self.output_devices), "")
        if isinstance(self.ballast_told, float):
            told["ballast"] = Quantity(self.ballast, "Ω")
        if isinstance(self.idle_current_told, float):
            idle, share = self.idle_current, self.idle_current_tolerance
            told |= {
                "idle_current": Quantity(idle, "A"),
                "idle_current_low": Quantity(idle * (1.0 - share), "A"),
                "idle_current_high": Quantity(idle * (1.0 + share), "A"),
            }
        if isinstance(self.output_ballast, float):
            told["output_ballast"] = Quantity(self.output_ballast, "Ω")
        if self.sink_limit is not None:
            told["sink_limit"] = Quantity(self.sink_limit, "°C")
        if self.standby_voltage is not None:
            told["standby_voltage"] = Quantity(self.standby_voltage, "V")
        return {
            **told,
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
            "ballast_tolerance": Quantity(self.ballast_tolerance, ""),
            "sink_rise_limit": Quantity(self.sink_rise_limit, "K"),
            "idle_current_tolerance": Quantity(self.idle_current_tolerance, ""),
            "supply_idle": Quantity(self.expected_supply_current, "A"),
            "supply_at_rated_power": Quantity(self.supply_current_at(self.rated_power), "A"),
            "relay_delay_least": Quantity(self.relay_delay[0], "s"),
            "relay_delay_most": Quantity(self.relay_delay[1], "s"),
        }

    def units_of_names(self) -> dict[str, str]:
        """Unit of each name that limits may use, those without a value on this unit too."""
        return {
            **{name: UNIT_OF_NAME[name] for name in self.withheld},
            **{name: quantity.unit for name, quantity in self.names().items()},
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
            "output_devices": self._or_none("output_devices"),
            "ballast": self._or_none("ballast"),
            "ballast_tolerance": self.ballast_tolerance,
            "sink_rise_limit": self.sink_rise_limit,
            "idle_current": self._or_none("idle_current"),
            "relay_delay": sum(self.relay_delay) / 2.0,
            "input_impedance": self.input_impedance,
            "inputs": list(self.inputs),
            "headphones": self.headphones,
            "standby_voltage": self.standby_voltage,
        }

    def _or_none(self, key: str) -> Any:
        told = getattr(self, f"{key}_told")
        return None if told in UNTOLD else told

    def told(self) -> dict[str, Any]:
        """The sheet's values for the record: as :meth:`plain`, and in words what has no figure."""
        words = {key: getattr(self, f"{key}_told") for key in self.held_back}
        return {**self.plain(), **words}

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
    "output_ballast": "Ω",  # of units with power stages in parallel
    "sink_limit": "°C",  # of units whose sheet tells it
}

#: names that limits may use and that come of one key
_FROM = {"idle_current": ("idle_current", "idle_current_low", "idle_current_high")}


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
    lacking = [key for key in ("idle_current", "output_devices") if key in unit.held_back]
    if unit.supply_idle is None and lacking:
        yield Problem(
            "supply_idle",
            f"key 'supply_idle' is missing and cannot be worked out: {unit.held_back[lacking[0]]}",
            "what a good one draws from each rail at idle, measured or as the maker tells it: "
            "first power is watched against it",
        )
    if unit.output_ballast is not None and unit.paralleled < 2:
        yield Problem("output_ballast", "no power stages are in parallel", "paralleled = 2 or more")
    if unit.stage == "integrated" and unit.topology == "parallel_bridged" and unit.paralleled < 2:
        yield Problem("paralleled", str(unit.paralleled), "2 or more for parallel_bridged")
    if unit.start_up is not None and unit.own_supply == "none":
        yield Problem("start_up", "the unit has no supply of its own", 'own_supply = "switching"')
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
