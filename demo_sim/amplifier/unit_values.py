"""What a unit sheet may tell the simulated bench: plain values in SI units, by key."""

from __future__ import annotations

import difflib
from collections.abc import Mapping

from demo_sim.errors import DemoError

DEMO_UNIT: dict[str, object] = {
    "model": "Demo 2x40",
    "channels": ["left", "right"],
    "topology": "single_ended",
    "rails": "split",
    "rail_voltage": 30.0,
    "rated_power": 40.0,
    "rated_load": 8.0,
    "rated_low": 20.0,  # Hz: lower end of the band in which rated power is promised
    "gain_db": 29.0,
    "output_devices": 2,
    "ballast": 0.22,
    "ballast_tolerance": 0.01,
    "sink_rise_limit": 40.0,
    "idle_current": 0.025,
    "supply_idle": None,  # A, from each rail: where nobody knows what a device idles at
    "relay_delay": 4.0,
    "input_impedance": None,
    "inputs": (),
    "headphones": False,
    "standby_voltage": None,
    "paralleled": 1,
    "output_ballast": None,
    "output_ballast_tolerance": 0.05,
    "output_capacitor": None,
    "stage": "discrete",
    "cases": False,
    "ballasts_in_reach": True,
}
UNIT_KEYS = frozenset(DEMO_UNIT)
# What a sheet may leave unknown: the unit has it all the same, as the built-in one has.
MAY_BE_UNKNOWN = ("output_devices", "ballast", "idle_current")


def unit_values(unit: Mapping[str, object] | None) -> dict[str, object]:
    """All values of a unit: its own, and the built-in unit's where it says nothing.

    Raises:
        DemoError: a key that nothing reads, with the nearest that is.
    """
    unit = unit or {}
    for key in unit:
        if key not in UNIT_KEYS:
            near = difflib.get_close_matches(key, UNIT_KEYS, 1, 0.0)
            raise DemoError(
                "unknown key of a unit",
                found=key,
                expected=", ".join(sorted(UNIT_KEYS)),
                hint=f"nearest known key: {near[0]}",
            )
    known = {k: v for k, v in unit.items() if v is not None or k not in MAY_BE_UNKNOWN}
    if known.get("supply_idle") is not None and "idle_current" not in known:
        known["idle_current"] = None  # what the rails draw tells it
    return {**DEMO_UNIT, **known}
