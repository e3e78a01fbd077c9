"""Between a unit sheet and the simulated unit nothing is lost and nothing is made up."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

import demo_sim
from demo_sim.errors import DemoError
from seqrun.files.shipped import shipped
from seqrun.files.unit.sheet import load_unit


@pytest.mark.parametrize("name", sorted(shipped("unit")))
def test_a_sheet_tells_all_that_the_simulated_unit_is_made_of_and_nothing_else(name):
    assert set(load_unit(name).plain()) == demo_sim.UNIT_KEYS


@given(st.sampled_from(sorted(demo_sim.UNIT_KEYS)), st.data())
def test_a_misspelt_key_never_becomes_the_demo_units_value(key, data):
    at = data.draw(st.integers(0, len(key) - 1))
    misspelt = key[:at] + key[at + 1 :]
    with pytest.raises(DemoError, match="unknown key"):
        demo_sim.open_bench({misspelt: 1.0})


def test_the_nearest_key_is_told():
    with pytest.raises(DemoError, match="rail_voltage"):
        demo_sim.open_bench({"rail_volts": 30.0})


def test_ballasts_that_are_not_accessible_have_no_points_to_put_a_lead_on(bench):
    world = bench({"ballast": None, "ballasts_in_reach": False, "output_devices": None})
    assert not any(node.startswith("ballast.") for node in world.nodes())
    assert world.truth.device_current("left", "upper", 1) > 0.01
    assert any(node.startswith("ballast.") for node in bench().nodes())
