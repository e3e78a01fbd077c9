"""The bench file: instruments, leads that stay where they are, loads and sensors."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from seqrun.errors import FileError
from seqrun.files.common import FileModel, Problem, Strict, load, load_text, one_of, refuse
from seqrun.files.dirt import Dirt, nothing_is_clean
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import load_driver
from seqrun.files.driver.manners import SerialLine
from seqrun.files.shipped import find
from seqrun.files.sound import Sound
from seqrun.files.unit.sheet import Unit, load_unit
from seqrun.quantity import Amperes, Fraction, Ohms, Volts, Watts, custom_error

#: the resource of an instrument that the operator sets and reads
BY_HAND = "by hand"
#: the beginning of the resource of a sound interface; a part of its name follows
SOUND = "sound::"
ShortKey = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
Node = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*(\.[a-z0-9_]+){0,6}$")]
_FACTOR = {"type": "number", "exclusiveMinimum": 0, "maximum": 10000}
_TERMINAL = re.compile(r"^[a-z][a-z0-9_]*(\.[a-z0-9_]+){1,3}$")


def _terminal(value: Any) -> Any:
    if not isinstance(value, str) or not _TERMINAL.match(value):
        raise custom_error(f"{value!r} is not a terminal", 'instrument.terminal, as "supply.1.pos"')
    return value


def _probe(value: Any) -> Any:
    return (value,) * 4 if isinstance(value, int | float) and not isinstance(value, bool) else value


class TestLeads(Strict):
    """The meter's test leads, as it reads them with the tips held together."""

    resistance: Ohms = Field(ge=0, description='by two wires, such as "0.11 Ω"; it is taken off')
    tolerance: Ohms = Field(
        gt=0, description='how far contacts differ from one hookup to the next, such as "20 mΩ"'
    )


class FrontPanel(Strict):
    """Protection that a supply has on its front panel alone: set there by hand, switched on, and
    confirmed by the operator before every first power."""

    over_voltage: Volts | None = Field(None, gt=0, description='such as "34.5 V"')
    over_current: Amperes | None = Field(None, gt=0, description='such as "5 A"')


class InstrumentEntry(Strict):
    """One instrument: where it answers and which driver speaks to it."""

    resource: Annotated[str, StringConstraints(min_length=3, max_length=200)] = Field(
        description='a VISA resource such as "TCPIP0::192.0.2.10::5025::SOCKET", or "by hand"'
    )
    driver: Annotated[str, StringConstraints(min_length=1, max_length=200)] = Field(
        description='a shipped driver such as "generic-meter", or the path of a driver file'
    )
    calibrated: datetime.date | None = None
    calibration_due: datetime.date | None = None
    certificate: str = ""
    serial: str = Field("", description="must occur in its identity")
    label: Annotated[str, StringConstraints(max_length=100)] = Field(
        "", description="what its own label says, for one that cannot tell its identity"
    )
    line: SerialLine | None = Field(
        None, description="of a serial line, as it is set on the instrument's own menu"
    )
    accuracy_checked_by: Annotated[str, StringConstraints(max_length=80)] = Field(
        "", description="who compared the driver's figures with the data sheet"
    )
    accuracy_checked_on: datetime.date | None = None
    leads: TestLeads | None = Field(
        None, description="of a meter that reads ohms by two wires; else the driver's allowance"
    )
    front_panel: FrontPanel | None = Field(
        None, description="of a supply: protection that only its front panel sets, as it is set"
    )
    probe: Annotated[
        tuple[Annotated[float, Field(gt=0, le=10000)], ...],
        BeforeValidator(_probe),
        WithJsonSchema({"anyOf": [_FACTOR, {"type": "array", "items": _FACTOR}]}),
    ] = Field((), description="attenuation of each scope probe, or one number for all")

    @property
    def by_hand(self) -> bool:
        """Whether the operator sets it and types what it shows."""
        return self.resource.strip().lower() == BY_HAND

    @property
    def accuracy_checked(self) -> bool:
        """Whether somebody, named, compared the driver's figures with the data sheet."""
        return bool(self.accuracy_checked_by.strip()) and self.accuracy_checked_on is not None

    def overdue(self, on: datetime.date) -> bool:
        """True when its calibration was due before a day."""
        return self.calibration_due is not None and self.calibration_due < on


def _ends(value: Any) -> Any:
    """A lead with a splitter as one for each of its ends: ``generator.1``, ``generator.1.2``."""
    if not isinstance(value, list):
        return value
    ends: list[Any] = []
    for lead in value:
        to = lead.get("to") if isinstance(lead, dict) else None
        if not isinstance(to, list):
            ends.append(lead)
            continue
        if len(to) < 2 or len(set(map(str, to))) < len(to):
            raise custom_error(
                f"to = {to!r}", 'one node, or those of a splitter: ["in.left", "in.right"]'
            )
        source = lead.get("from")
        ends += [
            {**lead, "from": source if n == 1 else f"{source}.{n}", "to": node}
            for n, node in enumerate(to, 1)
        ]
    return ends


_NODES = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}


class Lead(Strict):
    """A lead that stays where it is: ``from`` a terminal ``to`` a node of the unit; a generator's
    output with a splitter ``to`` several."""

    source: Annotated[str, BeforeValidator(_terminal)] = Field(
        alias="from", description='a terminal such as "supply.1.pos"'
    )
    to: Annotated[Node, WithJsonSchema(_NODES)] = Field(
        description='a node of the unit such as "rail.pos"; of a splitter: ["in.left", "in.right"]'
    )


class Load(Strict):
    """A load resistor across a speaker output, as measured."""

    name: ShortKey = Field(description='such as "left"')
    point: Node = Field(description='a point of the unit such as "out.left"')
    resistance: Ohms = Field(gt=0, description='as measured, such as "8.02 Ω"')
    tolerance: Fraction = Field(gt=0, lt=0.5, description='such as "0.5 %"')
    power: Watts = Field(gt=0, description='power rating, such as "100 W"')


class Sensor(Strict):
    """A temperature sensor and where it is."""

    name: ShortKey = Field(description='such as "sink"')
    point: Node = Field(description='"sensor.sink" or "sensor.ambient"')
    kind: Literal["Pt100"] = "Pt100"
    tolerance_class: Literal["A", "B"] = Field("B", alias="class")


class Panel(Strict):
    """A virtual instrument whose front panel virtual hands use."""

    resource: str
    driver: str


class Simulator(Strict):
    """Clock and hands of a simulated bench."""

    control: str = Field(description="the VISA resource of its clock and hands")
    panel: dict[ShortKey, Panel] = Field(
        {}, description="what its virtual hands set and read for an instrument by hand"
    )


class Bench(FileModel):
    """The bench, as its file says."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=80)] = Field(
        description='such as "Corner bench"'
    )
    unit: str = Field("", description="unit sheet of the unit that is on this bench")
    operator: str = ""
    visa: Annotated[str, StringConstraints(max_length=300)] = Field(
        "", description='the VISA library: "@py", or the path of a maker\'s; else PYVISA_LIBRARY'
    )
    simulator: Simulator | None = None
    instrument: Annotated[dict[ShortKey, InstrumentEntry], Field(min_length=1)] = Field(
        description="a table such as [instrument.supply] for each instrument"
    )
    lead: Annotated[tuple[Lead, ...], BeforeValidator(_ends)] = ()
    load: tuple[Load, ...] = ()
    sensor: tuple[Sensor, ...] = ()
    dirt: Dirt = Field(Dirt(), description="what no data sheet tells")
    sound: Sound | None = Field(
        None,
        description="levels and faults of a sound interface, as 'seqrun bench sound' found them",
    )

    @property
    def simulated(self) -> bool:
        """True when the instruments are virtual; it is stamped on every record."""
        return self.simulator is not None

    @property
    def terminals(self) -> dict[str, str]:
        """Leads that stay where they are: terminal -> node. Loads are not among them: which nodes
        a load is across follows from its point and the unit sheet."""
        return {lead.source: lead.to for lead in self.lead}

    @classmethod
    def from_text(cls, text: str, path: str | Path = "bench file") -> Self:
        """A bench from TOML text in memory."""
        return load_text(cls, text, Path(path), _all)


def _contradictions(bench: Bench) -> Iterator[Problem]:
    owners = [*bench.instrument]
    seen: dict[str, str] = {}
    for number, lead in enumerate(bench.lead, 1):
        where = f"lead {number} '{lead.source}'"
        owner = lead.source.split(".")[0]
        if owner == "load":
            expected = "a [[load]] entry instead: it says where the load is"
            yield Problem(where, "a lead from a load", expected)
        elif owner not in owners:
            yield Problem(where, f"no instrument '{owner}'", one_of(owner, owners))
        if lead.source in seen:
            found = f"the terminal is on {seen[lead.source]} already"
            yield Problem(where, found, "each terminal once")
        seen[lead.source] = lead.to
        if ".clip" in lead.source and lead.to != "ground":
            yield Problem(
                where,
                f"a scope clip on {lead.to}",
                "ground: clips are earthed and would short anything else",
            )
    yield from _twice("load", [item.name for item in bench.load], "name")
    yield from _twice("load", [item.point for item in bench.load], "point")
    yield from _twice("sensor", [item.name for item in bench.sensor], "name")
    yield from _twice("sensor", [item.point for item in bench.sensor], "point")
    for key, instrument in bench.instrument.items():
        by, on = instrument.accuracy_checked_by, instrument.accuracy_checked_on
        if bool(by.strip()) != (on is not None):
            yield Problem(
                f"instrument.{key}", "accuracy_checked_by and accuracy_checked_on belong together",
                "who, and on which day",
            )  # fmt: skip
        due, done = instrument.calibration_due, instrument.calibrated
        if due is not None and done is not None and due < done:
            found = f"{due} is before it was calibrated, {done}"
            yield Problem(f"instrument.{key}, calibration_due", found, "a later day")


def shared_resources(bench: Bench, drivers: Mapping[str, Driver]) -> Iterator[Problem]:
    """Two entries may name one resource when they are two roles of one instrument, which has one
    link and one calibration."""
    resources: dict[str, list[str]] = {}
    for key, instrument in bench.instrument.items():
        if instrument.by_hand:
            continue
        resources.setdefault(instrument.resource.upper(), []).append(key)
    for first, *others in resources.values():
        for key in others:
            mine, its = drivers[key], drivers[first]
            if mine.role == its.role:
                found = f"the resource of '{first}' again"
                yield Problem(
                    f"instrument.{key}, resource", found,
                    f"a resource of its own: both are a {mine.role}",
                )  # fmt: skip
            elif mine.link != its.link or mine.identity != its.identity:
                yield Problem(
                    f"instrument.{key}, driver",
                    f"its [link] or [identity] differs from that of '{first}', on one resource",
                    "the same manners in both driver files",
                )
            elif bench.instrument[key].line != bench.instrument[first].line:
                yield Problem(f"instrument.{key}, line", f"differs from that of '{first}'", "one")


def unreachable(bench: Bench, drivers: Mapping[str, Driver]) -> Iterator[Problem]:
    """An instrument without a remote interface has no resource to be reached at, and a switch that
    hands move is no switch."""
    for key, entry in bench.instrument.items():
        if not drivers[key].remote and not entry.by_hand:
            yield Problem(
                f"instrument.{key}, resource",
                f'"{entry.resource}", and its driver says that it has no remote interface',
                f'"{BY_HAND}"',
            )
        is_sound = entry.resource.lower().startswith(SOUND)
        if is_sound != (drivers[key].sound is not None):
            found = f'"{entry.resource}" with the driver "{drivers[key].name}"'
            yield Problem(
                f"instrument.{key}, resource", found,
                f'"{SOUND}" and part of the name of a sound interface, with a driver for one',
            )  # fmt: skip
        if drivers[key].role == "switch" and entry.by_hand:
            yield Problem(
                f"instrument.{key}, resource", "a switch by hand", "no [instrument] at all"
            )


def _twice(kind: str, values: list[str], key: str) -> Iterator[Problem]:
    for number, value in enumerate(values, 1):
        if value in values[: number - 1]:
            yield Problem(f"{kind} {number}, {key}", f"'{value}' stands twice", "each one once")


def against_unit(bench: Bench, unit: Unit) -> list[Problem]:
    """What does not fit between a bench and the unit that is on it."""
    found: list[Problem] = []
    nodes, points = sorted(unit.nodes), unit.points()
    for number, lead in enumerate(bench.lead, 1):
        if lead.to not in unit.nodes:
            where = f"lead {number} '{lead.source}', to"
            found.append(
                Problem(where, f"{unit.model} has no node '{lead.to}'", one_of(lead.to, nodes))
            )
    outputs = [f"out.{channel}" for channel in unit.channels]
    for number, load_ in enumerate(bench.load, 1):
        where = f"load {number} '{load_.name}', point"
        if load_.point not in outputs:
            found.append(
                Problem(
                    where,
                    f"'{load_.point}' is not a speaker output of {unit.model}",
                    one_of(load_.point, outputs),
                )
            )
    sensors = [name for name in points if name.startswith("sensor.")]
    for number, sensor in enumerate(bench.sensor, 1):
        if sensor.point not in sensors:
            where = f"sensor {number} '{sensor.name}', point"
            found.append(
                Problem(where, f"no sensor point '{sensor.point}'", one_of(sensor.point, sensors))
            )
    return found


def check_bench(bench: Bench, unit: Unit) -> None:
    """See that leads, loads and sensors are on nodes and points that the unit has.

    Raises:
        FileError: listing those that are not.
    """
    refuse(bench.path if bench.text else bench.name, against_unit(bench, unit))


def _all(bench: Bench) -> Iterable[Problem]:
    yield from _contradictions(bench)
    if not bench.simulated:
        yield from nothing_is_clean(bench.dirt)
    for key, instrument in bench.instrument.items():
        if instrument.by_hand:
            yield from _by_hand(bench, key)
        elif instrument.resource.count("::") < 1:
            yield Problem(
                f"instrument.{key}, resource",
                f'"{instrument.resource}" is not a VISA resource',
                'one such as "TCPIP0::192.0.2.10::5025::SOCKET" or "USB0::…::INSTR"; '
                '"by hand" for one that you set and read yourself',
            )


def _by_hand(bench: Bench, key: str) -> Iterator[Problem]:
    """What makes no sense for an instrument that nothing is sent to."""
    if bench.instrument[key].line is not None:
        yield Problem(
            f"instrument.{key}, line", "serial-line settings for an instrument by hand", "none"
        )
    if bench.simulator is not None and key not in bench.simulator.panel:
        yield Problem(
            f"instrument.{key}, resource",
            "by hand on a simulated bench, and nothing to read",
            f"[simulator.panel.{key}] with the resource and driver of the virtual instrument",
        )


def load_bench(path: str | Path) -> Bench:
    """A bench file by path.

    Raises:
        FileError: missing, or with something wrong in it.
    """

    def everything(bench: Bench) -> Iterator[Problem]:
        yield from _all(bench)
        yield from _files_named(bench, Path(path))

    return load(Bench, Path(path), everything)


def _files_named(bench: Bench, path: Path) -> Iterator[Problem]:
    """Drivers and unit sheet exist, and the sheet has the nodes that the leads are on."""
    drivers: dict[str, Driver] = {}
    for key, instrument in bench.instrument.items():
        try:
            drivers[key] = load_driver(find("driver", instrument.driver, path))
        except FileError as problem:
            yield Problem(f"instrument.{key}, driver", problem.found, problem.expected or "")
    for key, driver in drivers.items():
        if bench.instrument[key].leads is not None and driver.role != "meter":
            found = f"test leads of a {driver.role}"
            yield Problem(f"instrument.{key}, leads", found, "them in the table of a meter")
        yield from _front_panel(key, bench.instrument[key].front_panel, driver)
    if len(drivers) == len(bench.instrument):
        yield from shared_resources(bench, drivers)
        yield from unreachable(bench, drivers)
        yield from judged_by_invention(bench, drivers)
    if bench.unit:
        try:
            yield from against_unit(bench, load_unit(bench.unit, path))
        except FileError as problem:
            yield Problem("unit", str(problem))


def _front_panel(key: str, panel: FrontPanel | None, driver: Driver) -> Iterator[Problem]:
    """The front panel is asked only for what the link does not set."""
    if panel is None:
        return
    where = f"instrument.{key}, front_panel"
    if driver.supply is None:
        yield Problem(where, f"protection on a {driver.role}", "it in the table of a supply")
        return
    for what in ("over_voltage", "over_current"):
        if getattr(panel, what) is None:
            continue
        if f"{what}_protection" not in driver.supply.absent:
            yield Problem(
                f"{where}, {what}",
                f"the driver '{driver.name}' sets this protection and reads it back",
                "only what has to be set by hand",
            )


def judged_by_invention(bench: Bench, drivers: Mapping[str, Driver]) -> Iterator[Problem]:
    """The figures of the simulated bench are those of no instrument: they judge no real unit."""
    if bench.simulator is not None:
        return
    for key, driver in drivers.items():
        if driver.accuracy_of is not None:
            yield Problem(
                f"instrument.{key}, driver",
                f"the accuracy of '{bench.instrument[key].driver}' is that of the "
                f"{driver.accuracy_of}",
                "a driver file with the figures of this instrument's data sheet",
            )


def driver_path(bench: Bench, key: str) -> Path:
    """The driver file of an instrument: a shipped one, or a path from the bench file's folder.

    Raises:
        FileError: with the nearest shipped name.
    """
    beside = bench.path if bench.text and bench.path.is_file() else None
    return find("driver", bench.instrument[key].driver, beside)
