"""What a sheet tells of a unit that has no idle current of a device, or is small."""

from __future__ import annotations

import numpy as np
import pytest

from demo_sim.amplifier.building import build

INTEGRATED = {
    "stage": "integrated",
    "output_devices": None,
    "ballast": None,
    "idle_current": None,
}
SMALL = {"rail_voltage": 13.0, "rated_power": 0.5, "rails": "single", "output_devices": 3}


@pytest.mark.parametrize("amperes", [0.06, 0.12, 0.24])
def test_a_unit_idles_at_what_its_sheet_says_of_its_rails(bench, amperes):
    """Where nobody knows what one device idles at."""
    world = bench({**INTEGRATED, "supply_idle": amperes})
    assert world.truth.supply_current("pos") == pytest.approx(amperes, rel=0.25)


def test_the_idle_current_of_a_device_comes_first_where_a_sheet_has_both(bench):
    told, both = bench({"idle_current": 0.03}), bench({"idle_current": 0.03, "supply_idle": 0.5})
    assert told.truth.supply_current("pos") == both.truth.supply_current("pos")


@pytest.mark.parametrize("watts", [0.5, 3.0, 40.0])
def test_devices_are_no_heavier_than_their_heatsink(watts):
    """A headphone amplifier warms in minutes as others do: its devices are small ones."""
    heat = build({**SMALL, "rated_power": watts}, np.random.default_rng(1)).heat
    devices = 2 * 2 * 3
    assert devices * heat.case_j_per_k <= 0.41 * heat.sink_j_per_k
