"""A unit that is powered twice in one run."""

from __future__ import annotations

from collections.abc import Callable
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
