"""The bench as a plan sees it: which instrument plays which role, which lead reaches which node."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from seqrun.errors import BenchLacks, RoleMissing, UnitLacks, UsageError
from seqrun.files.bench.file import Bench
from seqrun.files.bench.parts import Load, Sensor
from seqrun.files.common import one_of
from seqrun.files.driver.file import Driver
from seqrun.files.expression import Expression
from seqrun.files.unit.points import Point
from seqrun.files.unit.sheet import Unit
from seqrun.plan.needs import Hookup


@dataclass(frozen=True)
class BenchView:
    """Bench file, unit sheet and drivers read together."""

    bench: Bench
    unit: Unit
    drivers: Mapping[str, Driver]  # by instrument key

    def key(self, role: str) -> str:
        """The key of the instrument that plays ``role``.

        Raises:
            UsageError: when the bench has none.
        """
        for key, driver in self.drivers.items():
            if driver.role == role:
                return key
        have = ", ".join(f"{key} ({d.role})" for key, d in self.drivers.items()) or "nothing"
        raise RoleMissing(
            f"the bench has no {role}",
            expected=f"an instrument whose driver plays the role '{role}'; it has {have}",
            where=self.bench.name,
            hint=f"add an [instrument.{role}] table with its resource and driver",
        )

    def keys(self, role: str) -> tuple[str, ...]:
        """The keys of all instruments that play ``role``, in the order of the bench file."""
        return tuple(key for key, driver in self.drivers.items() if driver.role == role)

    def outlets(self, role: str) -> tuple[str, ...]:
        """What the outputs of a role are called in leads, in the order in which they count: two
        supplies of one output are outputs 1 and 2, ``supply_a.1`` and ``supply_b.1``."""
        return tuple(
            f"{key}.{n}" for key in self.keys(role) for n in range(1, self.drivers[key].outputs + 1)
        )

    def by_hand(self, role: str) -> bool:
        """Whether hands set or read an instrument that plays ``role``."""
        return any(self.bench.instrument[key].by_hand for key in self.keys(role))

    def has(self, role: str) -> bool:
        return any(driver.role == role for driver in self.drivers.values())

    def standard_uncertainty(self, role: str, function: str, value: float) -> float:
        """u of one reading of about ``value``, from the accuracy table of the role's driver."""
        driver = self.drivers[self.key(role)]
        try:
            row = driver.row(function, value)
        except KeyError:
            raise BenchLacks(
                f"the {role} has no {function.replace('_', ' ')}: its driver '{driver.name}' "
                "states no accuracy for it",
                expected=f'an [[accuracy]] entry with function = "{function}" in the driver file, '
                "or another instrument",
                where=self.bench.name,
            ) from None
        return row.standard_uncertainty(value)

    def rated(self, expression: Expression | float | None, unit: str) -> float | None:
        """What an expression comes to over the unit sheet alone; None where it leans on readings
        that are still to be made, or there is none."""
        if expression is None or isinstance(expression, float | int):
            return expression
        names = self.unit.names()
        if not expression.names() <= names.keys():
            return None
        return expression.evaluate_in(unit, names)

    @cached_property
    def fixed(self) -> dict[str, str]:
        """Leads that stay where they are, those of the loads too: terminal -> node."""
        leads = {lead.source: lead.to for lead in self.bench.lead}
        for load in self.bench.load:
            point = self.unit.points().get(load.point)
            if point is not None:
                leads |= {f"load.{load.name}.1": point.hot, f"load.{load.name}.2": point.cold}
        return leads

    def point(self, name: str) -> Point:
        """A named point of the unit or of the bench's sensors.

        Raises:
            UnitLacks: a ballast resistor that no lead gets to.
            UsageError: with the nearest known name.
        """
        points = self.unit.points()
        if name.startswith("ballast.") and self.unit.ballast_told == "not accessible":
            raise UnitLacks(
                self.unit.held_back["ballast"],
                expected="ballast resistors that leads get to",
                where=self.unit.model,
            )
        if name in points:
            return points[name]
        raise UsageError(
            f"'{name}' is not a point of this unit",
            expected=one_of(name, points),
            where=self.unit.model,
        )

    def sensor(self, point: str) -> Sensor:
        for sensor in self.bench.sensor:
            if sensor.point == point:
                return sensor
        raise BenchLacks(
            f"no sensor at '{point}'",
            expected="a [[sensor]] entry with that point",
            where=self.bench.name,
            hint="add the sensor with its kind and class to the bench file",
        )

    def load(self, channel: str) -> Load:
        for load in self.bench.load:
            if load.point == f"out.{channel}":
                return load
        raise BenchLacks(
            f"no load on out.{channel}",
            expected=f'a [[load]] entry with point = "out.{channel}"',
            where=self.bench.name,
            hint="add the load with its measured resistance, tolerance and power rating",
        )

    def meter_across(self, name: str) -> Hookup:
        """The meter's leads across a point."""
        meter = self.key("meter")
        point = self.point(name)
        return Hookup(
            ((f"{meter}.hi", point.hot), (f"{meter}.lo", point.cold)),
            f"{_named('meter', meter)}: red (HI) to {point.hot}, black (LO) to {point.cold} - "
            f"{point.words}",
        )

    def meter_four_wire(self, name: str) -> Hookup:
        """The meter's four leads on a resistance sensor."""
        meter = self.key("meter")
        point = self.point(name)
        leads = (
            (f"{meter}.hi", point.hot),
            (f"{meter}.lo", point.cold),
            (f"{meter}.sense_hi", point.hot),
            (f"{meter}.sense_lo", point.cold),
        )
        return Hookup(
            leads,
            f"{_named('meter', meter)}: all four leads (HI, LO, sense HI, sense LO) to {name} - "
            f"{point.words}",
        )

    def scope_on(self, name: str) -> tuple[int, int | None, Hookup]:
        """Probe on a point: channel on the hot end, channel on the cold end (None when the cold
        end is ground), and the hookup that it takes.

        A scope clip never goes anywhere but ground, so a point between two live ends is read as
        the difference of two probes. Where every probe is fixed, the last one is borrowed; the
        runner puts it back for the next step that does not name it.
        """
        scope = self.key("scope")
        point = self.point(name)
        ends = [point.hot] if point.cold == "ground" else [point.hot, point.cold]
        count = self.drivers[scope].channels
        homes = self._probe_homes
        at = {n: node for node, n in homes.items()}
        numbers = range(1, count + 1)
        spare = [n for n in numbers if n not in at]
        spare += [n for n in reversed(numbers) if n in at and at[n] not in ends]
        channels: list[int] = []
        for end in ends:
            if end not in homes and not spare:
                raise BenchLacks(
                    f"no free scope probe for {end}",
                    expected=f"one of the {count} probes of {scope} not on the other end",
                    where=self.bench.name,
                    hint="free a probe, or add a [[lead]] that fixes one there",
                )
            channels.append(homes[end] if end in homes else spare.pop(0))
        leads = tuple((f"{scope}.{n}", end) for n, end in zip(channels, ends, strict=True))
        words = "; ".join(f"scope {t} probe tip to {node}" for t, node in leads)
        hookup = Hookup(leads, f"{words}; clips to ground only - {point.words}")
        return channels[0], channels[1] if len(channels) == 2 else None, hookup

    @cached_property
    def _probe_homes(self) -> dict[str, int]:
        """Node -> scope probe: the fixed ones, then one for each output that has none, as far as
        they go, so that outputs captured together never share a probe."""
        scope = self.key("scope")
        numbers = range(1, self.drivers[scope].channels + 1)
        at = {n: self.fixed.get(f"{scope}.{n}", "ground") for n in numbers}
        homes = {node: n for n, node in at.items() if node != "ground"}
        free = [n for n in numbers if at[n] == "ground"]
        for channel in self.unit.channels:
            output = self.point(f"out.{channel}")
            for end in (output.hot, output.cold):
                if end not in ("ground", *homes) and free:
                    homes[end] = free.pop(0)
        return homes

    def generator_on(self, channel: str) -> int:
        """The generator output that drives a channel's input."""
        return self.generator_lead(channel)[0]

    def generator_lead(self, channel: str) -> tuple[int, str]:
        """The generator output that drives a channel's input, and the terminal on it: that of the
        output, or of the end of a splitter."""
        generator = self.key("generator")
        for n, outlet in enumerate(self.outlets("generator"), 1):
            for terminal, node in self.fixed.items():
                its = terminal == outlet or (
                    terminal.startswith(f"{outlet}.") and terminal[len(outlet) + 1 :].isdecimal()
                )
                if its and node == f"in.{channel}":
                    return n, terminal
        raise BenchLacks(
            f"no generator output on in.{channel}",
            expected=f'a [[lead]] from = "{generator}.1" (or another output) to = "in.{channel}"',
            where=self.bench.name,
        )

    def driven_with(self, channel: str) -> tuple[str, ...]:
        """The channels that get what a channel gets, itself among them: more than one where one
        output of the generator feeds several inputs through a splitter."""
        output = self.generator_on(channel)
        return tuple(c for c in self.unit.channels if c == channel or self._driven_by(c) == output)

    def _driven_by(self, channel: str) -> int | None:
        try:
            return self.generator_on(channel)
        except BenchLacks:
            return None

    def driven_alone(self, channels: Iterable[str]) -> None:
        """See that each of the channels can be driven while the others are not.

        Raises:
            BenchLacks: one output of the generator feeds several inputs.
        """
        for channel in channels:
            together = self.driven_with(channel)
            if len(together) > 1:
                inputs = " and ".join(f"in.{c}" for c in together)
                raise BenchLacks(
                    f"one generator output feeds {inputs}: no channel can be driven alone",
                    expected="a generator output for each input",
                    where=self.bench.name,
                )

    @property
    def fed_rails(self) -> dict[str, int]:
        """The same as :attr:`rails`; none on a bench without a supply."""
        return self.rails if self.has("supply") else {}

    @cached_property
    def rails(self) -> dict[str, int]:
        """Rail node -> supply output that feeds it, counted through all supplies."""
        supply = self.key("supply")
        found: dict[str, int] = {}
        for n, outlet in enumerate(self.outlets("supply"), 1):
            for end in ("pos", "neg"):
                node = self.fixed.get(f"{outlet}.{end}", "")
                if node.startswith("rail."):
                    found[node] = n
        wanted = ["rail.pos", "rail.neg"] if self.unit.rails == "split" else ["rail.pos"]
        for rail in wanted:
            if rail not in found:
                raise UsageError(
                    f"no supply output feeds {rail}",
                    expected=f"a [[lead]] from a terminal of {supply} to {rail}",
                    where=self.bench.name,
                )
        return {rail: found[rail] for rail in wanted}


def _named(role: str, key: str) -> str:
    """An instrument as people are told of it: its role, and its key where that says more."""
    return role if key == role else f"{role} {key}"
