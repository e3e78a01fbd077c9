"""Parts of a short sequence, for tests of the plan."""

from __future__ import annotations

HEAD = 'title = "T"\nrevision = "A"\n'
TRIP = '[[trip]]\nquantity = "supply_current"\nabove = "3 A"\n'
PROTECT = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
"""
LOADS = '[[step]]\nid = "loads"\ndo = "load_resistance"\n'
RAMP = """
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
healthy_current = "3 * supply_idle"
running_limit = "1 A"
"""
OFFSET = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
"""
GAIN = '[[step]]\nid = "gain"\ndo = "gain"\nlimit = { between = ["28 dB", "30 dB"] }\n'
DOWN = '[[step]]\nid = "discharge"\ndo = "power_down"\nlimit = { at_most = "2 V" }\n'
NO_GENERATOR = (
    '[instrument.generator]\nresource = "TCPIP0::generator.demo::INSTR"\n'
    'driver = "generic-generator"\nserial = "GE0001"\ncalibrated = 2026-03-03\n'
)
