"""A stage on a single rail, coupled to its load by a capacitor."""

from __future__ import annotations

import math

import numpy as np
import pytest

from demo_sim.errors import DemoError

SINGLE = {
    "model": "Single",
    "rails": "single",
    "rail_voltage": 34.0,
    "rated_power": 12.0,
    "gain_db": 26.0,
    "output_devices": 1,
    "ballast": 0.47,
    "output_capacitor": 1000e-6,
}
CORNER_HZ = 1.0 / (2.0 * math.pi * 8.0 * 1000e-6)


@pytest.fixture
def single(bench):
    """``single("midpoint_off@left")``: one with its rail up."""
    return lambda *faults, **values: bench({**SINGLE, **values}, faults, volts=34.0)


def test_the_stage_rests_at_half_the_rail_and_no_dc_is_at_the_terminals(single):
    world = single()
    assert world.truth.dc("ballast.left.upper.1.cold") == pytest.approx(17.0, abs=0.1)
    assert abs(world.truth.offset("left")) < 1e-3
    amps = world.truth.device_current("left", "upper", 1)
    world.disconnect("load.left.1")
    world.advance(0.1)
    assert world.truth.device_current("left", "upper", 1) == pytest.approx(amps, rel=0.01)


def test_it_loses_bass_as_a_capacitor_into_eight_ohms_does(single):
    truth = single().truth
    passes = truth.gain("left", CORNER_HZ) / truth.gain("left", 1000.0)
    own = CORNER_HZ / math.hypot(CORNER_HZ, 2.0)  # of the coupling at the input
    assert passes == pytest.approx(own * math.sqrt(0.5), rel=0.03)


def test_what_a_scope_sees_of_a_low_tone_is_what_is_left_of_it(single, set_sine):
    world = single()
    peaks = []
    for hertz in (CORNER_HZ, 1000.0):
        set_sine(world, 0.1, hertz)
        t = world.now + np.arange(4000) / (200.0 * hertz)
        peaks.append(float(np.ptp(world.voltage("out.left", "ground", t))))
    own = CORNER_HZ / math.hypot(CORNER_HZ, 2.0)
    assert peaks[0] / peaks[1] == pytest.approx(own * math.sqrt(0.5), rel=0.05)


def test_the_devices_carry_less_where_the_capacitor_takes_the_tone_away(single, set_sine):
    world = single()
    swings = []
    for hertz in (0.2 * CORNER_HZ, 1000.0):
        set_sine(world, 0.3, hertz)
        t = world.now + np.arange(4000) / (1000.0 * hertz)
        hot, cold = (f"ballast.left.upper.1.{end}" for end in ("hot", "cold"))
        swings.append(float(np.ptp(world.voltage(hot, cold, t))))
    assert swings[0] < 0.35 * swings[1]


def test_a_sound_one_makes_up_for_what_its_capacitor_takes_at_the_end_of_the_band(single):
    assert single(output_capacitor=3.3e-3).truth.max_power("left", frequency_hz=20.0) > 13.0


def test_half_the_rail_is_all_the_swing_there_is(single):
    most = single().truth.max_power("left")
    assert 12.0 < most < 17.0**2 / 16.0


def test_the_rail_gives_the_mean_of_the_upper_half_waves_alone(single, set_sine):
    world = single()
    idle = world.truth.supply_current()
    set_sine(world, 9.8 / 20.0)  # 12 W into both
    world.advance(1.0)
    drawn = world.truth.supply_current()
    assert drawn == pytest.approx(2.0 * math.sqrt(3.0) / math.pi, rel=0.05)
    assert drawn > 5.0 * idle


def test_the_rail_gives_as_much_less_as_the_capacitor_takes_away(single, set_sine):
    """At the corner it stands in series with as many ohms as the load has."""
    world = single()
    drawn = []
    for hertz in (CORNER_HZ, 1000.0):
        set_sine(world, 0.4, hertz)
        world.advance(1.0)
        drawn.append(world.truth.supply_current())
    own = CORNER_HZ / math.hypot(CORNER_HZ, 2.0)
    assert drawn[0] / drawn[1] == pytest.approx(own * math.sqrt(0.5), rel=0.03)


def test_what_is_missing_in_the_capacitor_goes_through_the_load_as_the_relay_closes(single):
    """And dies away with load and capacitor; one that had time to charge makes none."""
    slow = single(output_capacitor=10e-3, relay_delay=2.0)
    closed = slow._unit.relays[0].closed_since
    at = closed + np.array([1e-3, 1e-3 + 8.0 * 10e-3])
    volts = slow.voltage("out.left", "ground", np.linspace(*at, 4001))
    assert 4.0 < volts[0] < 8.0
    assert volts[-1] == pytest.approx(volts[0] / math.e, rel=0.05)
    quick = single(output_capacitor=500e-6)
    closed = quick._unit.relays[0].closed_since
    t = closed + np.linspace(1e-3, 5e-3, 100)
    assert np.abs(quick.voltage("out.left", "ground", t)).max() < 0.05


def test_a_dried_out_one_loses_bass_and_nothing_else(single):
    dried, sound = single("dried_output_capacitor@left=0.5").truth, single().truth
    at_ten_times = 10.0 * CORNER_HZ
    share = dried.gain("left", at_ten_times) / dried.gain("left", 20e3)
    assert share == pytest.approx(math.sqrt(0.5), rel=0.03)
    assert dried.gain("left", 20e3) == pytest.approx(sound.gain("left", 20e3), rel=1e-3)
    assert dried.gain("right", at_ten_times) == sound.gain("right", at_ten_times)


def test_a_leak_is_dc_at_the_terminals_by_ohms_law(single):
    truth = single("leaky_output_capacitor@left=0.56").truth
    leak = 2e6 * 10.0 ** (-5.0 * 0.56)
    assert truth.offset("left") == pytest.approx(17.0 * 8.0 / (leak + 8.0), rel=0.05)
    assert abs(truth.offset("right")) < 1e-3


def test_a_large_leak_keeps_the_protection_open(single):
    world = single("leaky_output_capacitor@left=0.9")
    assert [relay.closed for relay in world._unit.relays] == [False, True]


def test_a_stage_off_its_middle_clips_early_on_one_side_and_passes_no_dc(single):
    world = single("midpoint_off@left=0.5")
    assert world.truth.dc("ballast.left.upper.1.cold") == pytest.approx(12.75, abs=0.2)
    assert abs(world.truth.offset("left")) < 1e-3
    assert world._unit.relays[0].closed
    assert world.truth.max_power("left") < 0.7 * world.truth.max_power("right")
    with world.truth.driven(9.8 / 20.0):
        _, table = world.truth.output("left")
        assert table.max() > 1.1 * -table.min()


def test_a_half_that_carries_nothing_moves_no_dc_through_it(single):
    world = single("open_device@left")
    assert abs(world.truth.offset("left")) < 1e-3
    with world.truth.driven(0.3):
        _, table = world.truth.output("left")
        half = 0.3 * 20.0 * math.sqrt(2.0)  # a half wave about its mean
        assert table.min() == pytest.approx(half * (1.0 / math.pi - 1.0), rel=0.1)
        assert table.max() == pytest.approx(half / math.pi, rel=0.1)


@pytest.mark.parametrize("fault", ["dried_output_capacitor", "midpoint_off"])
def test_a_unit_without_output_capacitors_cannot_have_it(cold_bench, fault):
    with pytest.raises(DemoError, match="output capacitors"):
        cold_bench(faults=[fault])
