"""A simulated bench: an amplifier with its heat and faults, and the instruments around it.

An honest counterpart of a real bench: its instruments are independent SCPI devices that know of the
unit only what their leads show, and the unit does what its physics makes it do. Nothing here knows
the sequencer.
"""

from demo_sim.amplifier.unit_values import UNIT_KEYS
from demo_sim.bench import Bench, open_bench
from demo_sim.errors import DemoError
from demo_sim.faults import FaultInfo, FaultRequest, fault_catalogue, parse_fault
from demo_sim.variants import VARIANTS, Variant

__all__ = [
    "UNIT_KEYS",
    "VARIANTS",
    "Bench",
    "DemoError",
    "FaultInfo",
    "FaultRequest",
    "Variant",
    "fault_catalogue",
    "open_bench",
    "parse_fault",
]
