"""What a unit may have or lack: so that one sequence serves many kinds of unit.

A step with ``if_unit_has = "headphones"`` is left out for a unit without them.
"""

from __future__ import annotations

from collections.abc import Callable

from seqrun.files.unit import Unit

FEATURES: dict[str, Callable[[Unit], bool]] = {
    "devices in parallel": lambda unit: unit.output_devices > 1,
    "one device each": lambda unit: unit.output_devices == 1,
    "two channels": lambda unit: len(unit.channels) > 1,
    "bridged output": lambda unit: unit.bridged,
    "single-ended output": lambda unit: not unit.bridged,
    "inputs": lambda unit: bool(unit.inputs),
    "no preamplifier": lambda unit: not unit.inputs,
    "phono input": lambda unit: "phono" in unit.inputs,
    "headphones": lambda unit: unit.headphones,
    "standby rail": lambda unit: unit.standby_voltage is not None,
}
