"""What a unit may have or lack: so that one sequence serves many kinds of unit.

A step with ``if_unit_has = "headphones"`` is left out for a unit without them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema

from seqrun.files.common import one_of
from seqrun.files.unit.sheet import Unit
from seqrun.quantity import custom_error

FEATURES: dict[str, Callable[[Unit], bool]] = {
    # where a unit does not tell, what is to be read there is left out with its reason; a chip has
    # them inside, matched
    "devices in parallel": lambda unit: (
        unit.output_devices_told != 1
        and not (unit.stage == "integrated" and "output_devices" in unit.held_back)
    ),
    "one device each": lambda unit: unit.output_devices_told == 1,
    "ballasts in reach": lambda unit: "ballast" not in unit.held_back,
    "ballasts out of reach": lambda unit: "ballast" in unit.held_back,
    "cases in reach and no ballasts": lambda unit: (
        "ballast" in unit.held_back and len(unit.device_cases()) > 1
    ),
    "cases of devices in parallel in reach and no ballasts": lambda unit: (
        "ballast" in unit.held_back
        and unit.stage == "discrete"
        and unit.devices_named > 1
        and len(unit.device_cases()) > 1
    ),
    "integrated power stages": lambda unit: unit.stage == "integrated",
    "discrete output devices": lambda unit: unit.stage == "discrete",
    "power stages in parallel": lambda unit: unit.paralleled > 1,
    "output ballasts in reach": lambda unit: any(unit.paralleled_stages()),
    "split rails": lambda unit: unit.rails == "split",
    "a single rail": lambda unit: unit.rails == "single",
    "output capacitors": lambda unit: unit.output_capacitor is not None,
    "a supply of its own": lambda unit: (
        unit.own_supply != "none" or unit.standby_voltage is not None
    ),
    "a limit for the heatsink": lambda unit: unit.sink_limit is not None,
    "two channels": lambda unit: len(unit.channels) > 1,
    "bridged output": lambda unit: unit.bridged,
    "single-ended output": lambda unit: not unit.bridged,
    "a capacitor allowed across its outputs": lambda unit: unit.load_capacitor is not None,
    "a protection that can be tried": lambda unit: unit.protection_test is not None,
    "inputs": lambda unit: bool(unit.inputs),
    "no preamplifier": lambda unit: not unit.inputs,
    "a line input": lambda unit: "line" in unit.inputs,
    "a line input and two channels": lambda unit: "line" in unit.inputs and len(unit.channels) > 1,
    "no line input": lambda unit: "line" not in unit.inputs,
    "an aux input": lambda unit: "aux" in unit.inputs,
    "phono input": lambda unit: "phono" in unit.inputs,
    "headphones": lambda unit: unit.headphones,
    "standby rail": lambda unit: unit.standby_voltage is not None,
}


def _known(value: Any) -> Any:
    if isinstance(value, str) and value and value not in FEATURES:
        raise custom_error(f"{value!r}", one_of(value, FEATURES))
    return value


#: one of them, or "" for any unit
Feature = Annotated[
    str, BeforeValidator(_known), WithJsonSchema({"enum": ["", *FEATURES], "type": "string"})
]
