"""The names of a unit sheet that limits may use, each with its unit."""

from __future__ import annotations

from seqrun.files.unit.ratings import Ratings
from seqrun.quantity import Quantity

#: unit of each name that limits may use: the same for every unit sheet
UNIT_OF_NAME: dict[str, str] = {
    "rail_voltage": "V",
    "rated_power": "W",
    "rated_load": "Ω",
    "rated_voltage": "V",
    "rated_current": "A",
    "rated_thd": "",
    "power_frequency": "Hz",
    "rated_band_low": "Hz",
    "rated_band_high": "Hz",
    "gain": "dB",
    "input_sensitivity": "V",
    "output_devices": "",
    "ballast": "Ω",
    "ballast_tolerance": "",
    "sink_rise_limit": "K",
    "idle_current": "A",
    "idle_current_low": "A",
    "idle_current_high": "A",
    "idle_current_tolerance": "",
    "supply_idle": "A",
    "supply_at_rated_power": "A",
    "supply_at_eighth": "A",
    "rated_efficiency": "",
    "idle_rise_limit": "K",
    "power_left_low": "",
    "relay_delay_least": "s",
    "relay_delay_most": "s",
    "standby_voltage": "V",  # of units that have a standby rail
    "output_ballast": "Ω",  # of units with power stages in parallel
    "output_path": "Ω",
    "sink_limit": "°C",  # of units whose sheet tells it
}


def names_of(unit: Ratings) -> dict[str, Quantity]:
    """Names that limits may use, with their values in base units."""
    told: dict[str, Quantity] = {}
    if isinstance(unit.output_devices_told, int):
        told["output_devices"] = Quantity(float(unit.output_devices), "")
    if isinstance(unit.ballast_told, float):
        told["ballast"] = Quantity(unit.ballast, "Ω")
    if isinstance(unit.idle_current_told, float):
        idle, share = unit.idle_current, unit.idle_current_tolerance
        told |= {
            "idle_current": Quantity(idle, "A"),
            "idle_current_low": Quantity(idle * (1.0 - share), "A"),
            "idle_current_high": Quantity(idle * (1.0 + share), "A"),
        }
    if isinstance(unit.output_ballast, float):
        told["output_ballast"] = Quantity(unit.output_ballast, "Ω")
    if unit.sink_limit is not None:
        told["sink_limit"] = Quantity(unit.sink_limit, "°C")
    if unit.standby_voltage is not None:
        told["standby_voltage"] = Quantity(unit.standby_voltage, "V")
    return {
        **told,
        "rail_voltage": Quantity(unit.rail_voltage, "V"),
        "rated_power": Quantity(unit.rated_power, "W"),
        "rated_load": Quantity(unit.rated_load, "Ω"),
        "rated_voltage": Quantity(unit.rated_voltage, "V"),
        "rated_current": Quantity(unit.rated_voltage / unit.rated_load, "A"),
        "rated_thd": Quantity(unit.rated_thd, ""),
        "power_frequency": Quantity(unit.power_frequency, "Hz"),
        "rated_band_low": Quantity(unit.rated_band[0], "Hz"),
        "rated_band_high": Quantity(unit.rated_band[1], "Hz"),
        "gain": Quantity(unit.gain, "dB"),
        "output_path": Quantity(unit.output_path, "Ω"),
        "input_sensitivity": Quantity(unit.rated_voltage / 10 ** (unit.gain / 20), "V"),
        "ballast_tolerance": Quantity(unit.ballast_tolerance, ""),
        "sink_rise_limit": Quantity(unit.sink_rise_limit, "K"),
        "idle_current_tolerance": Quantity(unit.idle_current_tolerance, ""),
        "supply_idle": Quantity(unit.expected_supply_current, "A"),
        "supply_at_rated_power": Quantity(unit.supply_at_rated_power, "A"),
        "supply_at_eighth": Quantity(unit.supply_at_eighth, "A"),
        "rated_efficiency": Quantity(unit.rated_efficiency, ""),
        "idle_rise_limit": Quantity(unit.idle_rise_limit, "K"),
        "power_left_low": Quantity(unit.power_left_low, ""),
        "relay_delay_least": Quantity(unit.relay_delay[0], "s"),
        "relay_delay_most": Quantity(unit.relay_delay[1], "s"),
    }
