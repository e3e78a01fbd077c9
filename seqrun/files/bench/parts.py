"""The tables of a bench file: instruments, leads that stay where they are, loads, sensors."""

from __future__ import annotations

import datetime
import re
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from seqrun.files.common import Strict
from seqrun.files.driver.manners import SerialLine
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
    def is_sound(self) -> bool:
        """Whether it is a sound interface."""
        return self.resource.lower().startswith(SOUND)

    @property
    def accuracy_checked(self) -> bool:
        """Whether somebody, named, compared the driver's figures with the data sheet."""
        return bool(self.accuracy_checked_by.strip()) and self.accuracy_checked_on is not None

    def overdue(self, on: datetime.date) -> bool:
        """True when its calibration was due before a day."""
        return self.calibration_due is not None and self.calibration_due < on


def ends(value: Any) -> Any:
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
    point: Node = Field(
        description='"sensor.sink", "sensor.ambient" or, of one that is moved, "sensor.probe"'
    )
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
