"""How a unit is powered where the bring-up is not what is looked at."""

BRING_UP = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "supply_at_rated_power"
[[step]]
id = "loads"
do = "load_resistance"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
stages = 4
healthy_current = "3 * supply_idle"
running_limit = "0.9 * supply_at_rated_power"
[[step]]
id = "relays"
do = "await_output"
"""
