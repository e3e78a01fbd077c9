"""Switching on and off: reservoirs, current limit, relay."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_sim.amplifier.relay import Relay
from demo_sim.amplifier.spec import RelaySpec
from demo_sim.world import World


def rail(world):
    return world.dc_voltage("rail.pos", "ground", world.now, 0.02)


def test_a_reservoir_charges_at_the_current_limit(cold_bench, set_supply):
    """C dV/dt = I: 6.8 mF at 0.5 A less what bleeder and stage take."""
    world = cold_bench()
    set_supply(world, 3.0, limit_a=0.5)
    assert world.supply_state("supply", 1).constant_current
    world.advance(0.02)
    assert world.truth.rail("pos") == pytest.approx(0.5 * 0.02 / 6.8e-3, rel=0.05)
    world.advance(0.1)
    assert not world.supply_state("supply", 1).constant_current
    assert rail(world) == pytest.approx(3.0, abs=0.05)


def test_staged_ramp_draws_less_than_three_times_idle_at_every_stage(cold_bench, set_supply):
    world = cold_bench()
    for stage in range(1, 11):
        set_supply(world, 3.0 * stage, limit_a=0.5)
        world.advance(0.5)
        state = world.supply_state("supply", 1)
        assert not state.constant_current
        assert state.amps < 0.3


def test_idle_current_exists_only_once_the_rails_let_the_bias_exist(cold_bench, set_supply):
    world = cold_bench()
    set_supply(world, 2.0)
    world.advance(1.0)
    assert world.truth.device_current("left", "upper", 1) < 1e-3
    set_supply(world, 30.0)
    world.advance(1.0)
    assert world.truth.device_current("left", "upper", 1) > 20e-3


def test_rails_discharge_below_two_volts_in_less_than_a_minute(bench, set_supply):
    world = bench()
    set_supply(world, 30.0, on=False)
    world.advance(1.0)
    assert rail(world) > 2.0
    world.advance(59.0)
    assert rail(world) < 2.0


def test_switched_off_output_shows_the_charge_that_is_left(bench, set_supply):
    world = bench()
    set_supply(world, 30.0, on=False)
    world.advance(0.2)
    state = world.supply_state("supply", 1)
    assert state.amps == 0.0
    assert 20.0 < state.volts < 30.0


def test_the_rails_sag_to_where_the_limit_holds_the_current(bench, set_supply, set_sine):
    world = bench()
    set_supply(world, 30.0, limit_a=1.6)
    set_sine(world, 0.6)
    world.advance(0.5)
    state = world.supply_state("supply", 1)
    assert state.constant_current
    assert state.amps == pytest.approx(1.6, rel=1e-3)
    assert state.volts < 27.0


def test_rails_that_sag_too_far_open_the_relay(bench, set_supply, set_sine):
    world = bench()
    set_supply(world, 30.0, limit_a=0.8)
    set_sine(world, 0.6)
    world.advance(0.5)
    assert not world.truth.relay_closed("left")
    assert world.truth.rail("pos") > 29.0


def test_relay_closes_about_four_seconds_after_the_rails_are_up(cold_bench, set_supply):
    world = cold_bench()
    set_supply(world, 30.0)
    world.advance(3.0)
    assert not world.truth.relay_closed("left")
    world.advance(2.0)
    assert world.truth.relay_closed("left")


def test_one_long_wait_and_many_short_ones_end_alike(cold_bench, set_supply):
    worlds = cold_bench(), cold_bench()
    for world in worlds:
        set_supply(world, 30.0)
    worlds[0].advance(60.0)
    for _ in range(600):
        worlds[1].advance(0.1)
    one, other = (w.truth.device_current("left", "upper", 1) for w in worlds)
    assert one == pytest.approx(other, rel=2e-3)
    assert [w.truth.relay_closed("left") for w in worlds] == [True, True]


def test_relay_opens_when_the_rails_fall(bench, set_supply):
    world = bench()
    set_supply(world, 10.0)
    world.advance(3.0)
    assert not world.truth.relay_closed("left")


def test_a_capture_across_the_closing_shows_the_moment(cold_bench, set_supply, set_sine):
    world = cold_bench()
    set_supply(world, 30.0)
    set_sine(world, 0.3)
    world.advance(6.0)
    t = np.arange(0.0, 6.0, 1e-3) + 0.37e-3
    seen = np.abs(world.voltage("out.left", "ground", t)) > 0.5
    first = float(t[np.argmax(seen)])
    assert first == pytest.approx(world.truth.relay_pull_in("left"), abs=0.05)


def test_dc_at_the_output_opens_the_relay_for_good():
    relay = Relay(RelaySpec(pull_in_s=1.0))
    relay.observe(0.0, True, 0.0)
    relay.act(1.0)
    assert relay.closed
    relay.observe(2.0, True, 5.0)
    relay.observe(2.3, True, 5.0)
    relay.act(2.4)
    assert not relay.closed
    relay.observe(10.0, True, 0.0)
    assert math.isinf(relay.next_event())


@settings(max_examples=20, deadline=None)
@given(steps=st.lists(st.floats(0.001, 30.0), min_size=1, max_size=6), seed=st.integers(0, 99))
def test_time_is_what_was_waited(steps, seed):
    world = World(seed=seed)
    for step in steps:
        world.advance(step)
    assert world.now == pytest.approx(sum(steps))


def test_dc_at_an_open_relay_keeps_it_open_although_it_goes_again(bench, set_supply):
    world = bench()
    world.advance(3000.0)  # nothing of the unit moves any more but its relays
    world._unit.mute(5.0)
    world.set_setting("protection_test", "left")
    for _ in range(10):
        world.advance(0.1)
    world.set_setting("protection_test", "off")
    world.advance(20.0)
    assert [relay.closed for relay in world._unit.relays] == [False, True]
    assert world._unit.relays[0].latched
