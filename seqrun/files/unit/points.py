"""The points of a unit: where on it something is measured or applied.

Nodes are ``ground``, ``rail.pos``, ``rail.neg`` (split rails), ``in.<channel>``, ``out.<channel>``
or, where neither speaker terminal is ground, ``out.<channel>.pos`` and ``.neg``, and the two ends
of each ballast resistor. A point is a named pair of nodes between which something is measured;
the reading is positive when current flows from hot to cold.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

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
        return (
            f"across the ballast resistor of {self.half} output device {self.device}"
            f"{_bridge(self.side)}, {self.channel} channel"
        )


@dataclass(frozen=True, slots=True)
class DeviceCase:
    """The case of an output device or an integrated power stage, and whose it is."""

    name: str
    words: str


def _bridge(side: str) -> str:
    return f", half-bridge of the {_terminal(side)} terminal" if side else ""


def _terminal(side: str) -> str:
    return {"pos": "+", "neg": "-"}[side]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What a unit has of everything that can be reached.

    ``rails`` are nodes, such as ``rail.pos``; ``devices`` of each half have a name;
    ``reachable_stages`` power stages at each terminal have a ballast that leads get to. A probe can
    be held on the ``cases`` of output devices, or of the ``stages`` at each terminal.
    """

    channels: tuple[str, ...]
    bridged: bool
    rails: tuple[str, ...]
    inputs: tuple[str, ...]
    headphones: bool
    standby: bool
    devices: int
    reachable_stages: int
    cases: Literal["none", "of devices", "of stages"] = "none"
    stages: int = 1

    @property
    def sides(self) -> tuple[str, ...]:
        """Half-bridges of a channel: ("pos", "neg"), or ("",) when single-ended."""
        return SIDES if self.bridged else ("",)

    def ballasts(self) -> Iterator[Ballast]:
        """Every ballast resistor, in order of channel, side, half, device."""
        for channel in self.channels:
            for side in self.sides:
                for half in HALVES:
                    for device in range(1, self.devices + 1):
                        yield Ballast(channel, side, half, device)

    def paralleled_stages(self) -> Iterator[tuple[str, str, str]]:
        """Channel, side and number of each power stage whose output ballast can be measured
        across; none where there is no such resistor to be reached."""
        for channel in self.channels:
            for side in self.sides:
                for number in range(1, self.reachable_stages + 1):
                    yield channel, side, str(number)

    def device_cases(self) -> Iterator[DeviceCase]:
        """Every case of an output device or an integrated stage that a probe can touch."""
        if self.cases == "of devices":
            for one in self.ballasts():
                device = f"{one.half} output device {one.device}{_bridge(one.side)}"
                yield DeviceCase(one.name, f"{device}, {one.channel} channel")
        elif self.cases == "of stages":
            for channel in self.channels:
                for side in self.sides:
                    terminal = f"{channel}.{side}" if side else channel
                    for number in range(1, self.stages + 1):
                        words = f"integrated power stage {number}{_bridge(side)}, {channel} channel"
                        yield DeviceCase(f"{terminal}.{number}", words)

    def points(self) -> Iterator[Point]:
        for rail in self.rails:
            sign = "positive" if rail.endswith("pos") else "negative"
            yield Point(rail, rail, "ground", f"the {sign} supply rail, against ground")
        if self.standby:
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
                f"across the output ballast of power stage {number}{terminal}, {channel} channel: "
                "both ends are live, so the meter floats and no earthed clip is near them"
            )
            yield Point(name, f"{name}.hot", f"{name}.cold", words)
        for case in self.device_cases():
            name = f"case.{case.name}"
            yield Point(name, name, name, f"the case of {case.words}")
        yield Point("sink", "sink", "sink", "the bare heatsink close to the output devices")
        yield Point(
            "sensor.probe",
            "sensor.probe.hot",
            "sensor.probe.cold",
            "the insulated probe that is moved from case to case",
        )
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
