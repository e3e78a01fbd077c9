"""A unit that is powered twice in one run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

AGAIN = """
[[step]]
id = "down"
do = "power_down"
[[step]]
id = "up"
do = "ramp_supply"
to = "rail_voltage"
stages = 5
healthy_current = "5 * supply_idle"
[[step]]
id = "down_again"
do = "power_down"
[[step]]
id = "up_again"
do = "ramp_supply"
to = "rail_voltage"
stages = 5
healthy_current = "5 * supply_idle"
[[step]]
id = "closed_again"
do = "await_output"
limit = { between = ["1 s", "8 s"] }
"""


def test_a_relay_delay_counts_from_the_latest_time_the_rails_came_up(
    powered: Callable[..., Any],
) -> None:
    """Not from the first, a power-down and minutes before."""
    for reading in powered(seed=11).do(AGAIN).all("relay_delay"):
        assert reading.value is not None, reading.note
        assert 1.0 < reading.value < 8.0


def test_reservoirs_that_are_still_charged_at_the_limit_are_no_surprise(
    powered: Callable[..., Any],
) -> None:
    """Two stages are large steps: the last volts of one come in while the supply limits."""
    steps = AGAIN.split('[[step]]\nid = "down_again"')[0].replace("stages = 5", "stages = 2")
    steps = steps.replace('"5 * supply_idle"', '"3 * supply_idle"')
    done = powered(seed=2, unit="demo-mono").do(steps)
    assert all(reading.value is not None for reading in done.all("bring_up_current"))


PHONES = """
model = "For headphones"
channels = ["left", "right"]
topology = "single_ended"
rails = "split"
rail_voltage = "12 V"
rated_power = "0.5 W"
rated_load = "32 Ω"
gain = "12 dB"
output_devices = 1
ballast = "2.2 Ω"
idle_current = "20 mA"
sink_rise_limit = "30 K"
"""


def test_a_unit_that_idles_at_nearly_what_it_plays_at_comes_up_below_the_supplys_protection(
    powered: Callable[..., Any], tmp_path: Path
) -> None:
    """A headphone amplifier: several times its idle current, at which the reservoirs would fill,
    is more than the protection that rated power asks for."""
    sheet = tmp_path / "phones.toml"
    sheet.write_text(PHONES, encoding="utf-8")
    unit = powered(unit=str(sheet))
    assert unit.truth.rail("pos") > 11.5


RADIO = """
model = "Radio"
channels = ["left", "right"]
topology = "single_ended"
rails = "single"
rail_voltage = "20 V"
rated_power = "3 W"
rated_load = "8 Ω"
gain = "26 dB"
output_devices = 1
ballast = "0.47 Ω"
idle_current = "30 mA"
sink_rise_limit = "40 K"
"""


def test_reservoirs_that_fill_up_between_two_answers_of_the_supply_are_no_surprise(
    powered: Callable[..., Any], tmp_path: Path
) -> None:
    """The current is asked for while they still fill, and whether it limits once they are full."""
    sheet = tmp_path / "radio.toml"
    sheet.write_text(RADIO, encoding="utf-8")
    steps = AGAIN.split('[[step]]\nid = "down_again"')[0].replace("stages = 5", "stages = 2")
    steps = steps.replace('"5 * supply_idle"', '"3 * supply_idle"')
    for seed in (1, 2):
        done = powered(seed=seed, unit=str(sheet)).do(steps)
        assert all(reading.value is not None for reading in done.all("bring_up_current"))
