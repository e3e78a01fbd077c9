"""The unit sheet: ratings and topology of the amplifier, with the points and names that follow."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, Self

from seqrun.files.common import Problem, load, load_text
from seqrun.files.shipped import find
from seqrun.files.unit.names import UNIT_OF_NAME, names_of
from seqrun.files.unit.points import SIDES, Ballast, DeviceCase, Layout, Point
from seqrun.files.unit.ratings import Ratings
from seqrun.files.unit.untold import UNTOLD
from seqrun.quantity import Quantity, render


class Unit(Ratings):
    """The unit under test, as its sheet says."""

    @cached_property
    def layout(self) -> Layout:
        """What there is of everything that leads can reach."""
        reached = isinstance(self.output_ballast, float) and self.paralleled > 1
        return Layout(
            channels=self.channels,
            bridged=self.bridged,
            rails=self.rail_names,
            inputs=self.inputs,
            headphones=self.headphones,
            standby=self.standby_voltage is not None,
            devices=self.devices_named,
            reachable_stages=self.paralleled if reached else 0,
            cases=self._cases,
            stages=self.paralleled,
        )

    @property
    def _cases(self) -> Literal["none", "of devices", "of stages"]:
        if self.cases == "not accessible":
            return "none"
        return "of stages" if self.stage == "integrated" else "of devices"

    def device_cases(self) -> tuple[DeviceCase, ...]:
        """Every case of an output device, or of an integrated stage, that a probe can be held on;
        none where the sheet does not say that one can."""
        return tuple(self.layout.device_cases())

    def ballasts(self) -> Iterator[Ballast]:
        """Every ballast resistor, in order of channel, side, half, device.

        Where the sheet does not tell how many there are, one stands for all of each half: what is
        to be read there is left out with its reason, and has a name all the same.
        """
        return self.layout.ballasts()

    def paralleled_stages(self) -> Iterator[tuple[str, str, str]]:
        """Channel, side and number of each power stage whose output ballast can be measured
        across; none where there is no such resistor to be reached."""
        return self.layout.paralleled_stages()

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
        return {point.name: point for point in self.layout.points()}

    @cached_property
    def nodes(self) -> frozenset[str]:
        """Every node that a lead can be on."""
        ends = {node for point in self._points.values() for node in (point.hot, point.cold)}
        return frozenset(ends | {"ground"})

    def names(self) -> dict[str, Quantity]:
        """Names that limits may use, with their values in base units."""
        return dict(self._named)

    @cached_property
    def _named(self) -> dict[str, Quantity]:
        return names_of(self)

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
            "rated_low": self.rated_band[0],
            "gain_db": self.gain,
            "output_devices": self._or_none("output_devices"),
            "ballast": self._or_none("ballast"),
            "ballast_tolerance": self.ballast_tolerance,
            "sink_rise_limit": self.sink_rise_limit,
            "idle_current": self._or_none("idle_current"),
            "supply_idle": self.supply_idle,
            "relay_delay": sum(self.relay_delay) / 2.0,
            "input_impedance": self.input_impedance,
            "inputs": list(self.inputs),
            "headphones": self.headphones,
            "standby_voltage": self.standby_voltage,
            "paralleled": self.paralleled,
            "output_ballast": None if self.output_ballast in UNTOLD else self.output_ballast,
            "output_ballast_tolerance": self.output_ballast_tolerance,
            "output_capacitor": self.output_capacitor,
            "stage": self.stage,
            "cases": self.cases == "accessible",
            "ballasts_in_reach": self.ballast_told != "not accessible",
        }

    def _or_none(self, key: str) -> Any:
        told = getattr(self, f"{key}_told")
        return None if told in UNTOLD else told

    def told(self) -> dict[str, Any]:
        """The sheet's values for the record: as :meth:`plain`, and in words what has no figure."""
        words = {key: getattr(self, f"{key}_told") for key in self.held_back}
        parts = {
            "own_supply": self.own_supply,
            "load_capacitor": self.load_capacitor,
            "protection_test": self.protection_test,
        }
        return {**self.plain(), **parts, **words}

    @classmethod
    def from_text(cls, text: str, path: str | Path = "unit sheet") -> Self:
        """A sheet from TOML text in memory."""
        return load_text(cls, text, Path(path), _contradictions)


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
    counted = unit.stage == "integrated" or "output_devices" not in unit.held_back
    if unit.cases == "accessible" and not counted:
        yield Problem(
            "cases",
            "cases of output devices that can be touched, and output_devices does not tell them",
            "output_devices as a number: whose case can be touched can be counted",
        )
    if unit.output_capacitor_told is not None and unit.output_capacitor is None:
        yield Problem(
            "output_capacitor",
            f"a {unit.topology} output on {unit.rails} rails has none",
            'rails = "single" and topology = "single_ended", or no output_capacitor',
        )
    if unit.output_capacitor is not None and unit.output_corner > low > 0.0:
        least = unit.farads_for(low)
        yield Problem(
            "output_capacitor",
            f"{render(unit.output_capacitor, 'F')} into {render(unit.rated_load, 'Ω')} takes half "
            f"of the power at {render(unit.output_corner, 'Hz', digits=3)}, and rated_band begins "
            f"at {render(low, 'Hz')}",
            f"{render(math.ceil(least * 1e6) * 1e-6, 'F')} or more as it is marked, or a "
            f"rated_band from {render(math.ceil(unit.output_corner), 'Hz')} or higher",
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
