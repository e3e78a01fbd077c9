"""Steps that switch a unit off, on again, and watch both."""

SWITCHED = """
[[step]]
id = "off"
do = "switching_thump"
when = "off"
limit = { at_most = "1 V" }
[[step]]
id = "again"
do = "ramp_supply"
to = "rail_voltage"
stages = 2
healthy_current = "5 * supply_idle"
LATER[[step]]
id = "on"
do = "switching_thump"
when = "on"
watch = "relay_delay_most + 1 s"
limit = { at_most = "1 V" }
"""
FIRST = """
[[step]]
id = "first"
do = "first_tone"
of = "on"
limit = { at_most = "2 dB" }
"""


def switched(later: str = "") -> str:
    """Off, on, and ``later`` in between, once the rails are up."""
    return SWITCHED.replace("LATER", later)
