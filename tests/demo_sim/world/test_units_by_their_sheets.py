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


CLASS_A = {"idle_current": 0.4, "output_devices": 1, "rated_power": 3.0, "rail_voltage": 12.0}


@pytest.mark.parametrize("unit", [{}, SMALL, CLASS_A, {"rated_power": 120.0, "rail_voltage": 50.0}])
def test_reservoirs_leave_a_tenth_of_the_rail_as_ripple_at_what_the_unit_draws(bench, unit):
    """C = I / (2 f ΔV) at twice 50 Hz (a handbook relation), and at most the next E6 value."""
    spec = build(unit, np.random.default_rng(1))
    devices = sum(len(leg.upper) for channel in spec.channels for leg in channel.legs)
    swing = len(spec.channels) * (2.0 * spec.rated_power / spec.rated_load) ** 0.5 / np.pi
    idle = devices * spec.idle_current
    most = max(swing, idle)
    drawn = most + min(idle, 3.0 * idle**2 / most)
    ripple_v = drawn / (2.0 * 50.0 * spec.rails.reservoir_f)
    assert 0.1 / 1.6 < ripple_v / spec.rail_voltage < 0.101
    assert spec.rails.bleeder_ohm >= 4.7e3  # what empties it is a small part of what idles


@pytest.mark.parametrize(("rails", "volts"), [("split", 4.1), ("single", 9.6)])
def test_a_unit_on_low_rails_idles_on_them(bench, rails, volts):
    """A circuit for 4 V has a bias that lives on 4 V."""
    world = bench(
        {"rail_voltage": volts, "rails": rails, "rated_power": 0.5, "idle_current": 0.03},
        volts=volts,
        seconds=60.0,
    )
    amps = world.truth.device_current("left", "upper", 1)
    assert amps == pytest.approx(0.03, rel=0.25)


def test_a_plain_power_amplifier_lives_on_its_own_mains_too(cold_bench):
    """Without a bench supply it is read by a meter, plugged in."""
    world = cold_bench()
    world.set_setting("mains", True)
    world.advance(5.0)
    assert world.truth.rail("pos") == pytest.approx(30.0, rel=0.05)
    world.set_setting("mains", False)
    world.advance(120.0)
    assert world.truth.rail("pos") < 2.0
