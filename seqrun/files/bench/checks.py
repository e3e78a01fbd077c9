"""What a bench file cannot mean: by itself, with the drivers that it names, with its unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from seqrun.errors import FileError
from seqrun.files.bench.file import Bench
from seqrun.files.bench.parts import BY_HAND, SOUND, FrontPanel
from seqrun.files.common import Problem, ProblemsError, one_of
from seqrun.files.dirt import nothing_is_clean
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import load_driver
from seqrun.files.kinds import kind_of
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import Unit, load_unit


def by_itself(bench: Bench) -> Iterator[Problem]:
    """What contradicts itself within the file."""
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
                yield Problem(
                    f"instrument.{key}, line", f"differs from that of '{first}'", "the same"
                )


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
        is_sound = entry.is_sound
        if is_sound != (drivers[key].sound is not None):
            found = f'"{entry.resource}" with the driver "{drivers[key].name}"'
            yield Problem(
                f"instrument.{key}, resource", found,
                f'"{SOUND}" and part of the name of a sound interface, with a driver for one',
            )  # fmt: skip
        if drivers[key].role == "switch" and entry.by_hand:
            yield Problem(
                f"instrument.{key}, resource", "a switch by hand", "no entry: hands need no switch"
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


def files_named(bench: Bench, path: Path) -> Iterator[Problem]:
    """Drivers and unit sheet exist, and the sheet has the nodes that the leads are on."""
    drivers: dict[str, Driver] = {}
    for key, instrument in bench.instrument.items():
        try:
            drivers[key] = load_driver(where := find("driver", instrument.driver, path))
        except FileError as problem:
            if isinstance(problem, ProblemsError) and (kind := _another_kind(where)):
                found = f"'{instrument.driver}' is a {kind} file"
                yield Problem(f"instrument.{key}, driver", found, "a driver file (role, idn, …)")
                continue
            yield Problem(f"instrument.{key}, driver", problem.found, problem.expected or "")
    for key, driver in drivers.items():
        if bench.instrument[key].leads is not None and driver.role != "meter":
            found = f"test leads of a {driver.role}"
            yield Problem(f"instrument.{key}, leads", found, "leads in the table of a meter")
        yield from _front_panel(key, bench.instrument[key].front_panel, driver)
        yield from _probes(key, bench.instrument[key].probe, driver)
    if len(drivers) == len(bench.instrument):
        yield from shared_resources(bench, drivers)
        yield from unreachable(bench, drivers)
        yield from judged_by_invention(bench, drivers)
    if bench.unit:
        try:
            yield from against_unit(bench, load_unit(bench.unit, path))
        except FileError as problem:
            yield Problem("unit", str(problem))


def _another_kind(path: Path) -> str:
    """What kind of file it is, when it is plainly no driver."""
    try:
        kind = kind_of(path)
    except FileError:
        return ""
    return "" if kind == "driver" else kind


def _probes(key: str, probe: tuple[float, ...], driver: Driver) -> Iterator[Problem]:
    """A factor for each channel that there is; factors that are all alike are one for all."""
    where = f"instrument.{key}, probe"
    if probe and driver.scope is None:
        yield Problem(where, f"probes on a {driver.role}", "probe in the table of a scope")
    elif len(set(probe)) > 1 and len(probe) != driver.channels:
        yield Problem(
            where,
            f"{len(probe)} factors for the {driver.channels} channels of '{driver.name}'",
            "one number for all probes, or one for each channel",
        )


def _front_panel(key: str, panel: FrontPanel | None, driver: Driver) -> Iterator[Problem]:
    """The front panel is asked only for what the link does not set."""
    if panel is None:
        return
    where = f"instrument.{key}, front_panel"
    if driver.supply is None:
        yield Problem(
            where, f"protection on a {driver.role}", "front_panel in the table of a supply"
        )
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
