"""The built-in amplifier without faults is one that a technician would let go."""

from __future__ import annotations

import math

import numpy as np
import pytest

SEEDS = [1, 2, 3, 11, 42]
EIGHTH_POWER_V = math.sqrt(5.0 * 8.0) / 10 ** (29 / 20)


@pytest.mark.parametrize("seed", SEEDS)
def test_offset_is_a_few_millivolts(bench, seed):
    world = bench(seed=seed)
    for channel in ("left", "right"):
        assert abs(world.truth.offset(channel)) < 10e-3


@pytest.mark.parametrize("seed", SEEDS)
def test_idle_current_of_every_device_is_within_its_tolerance(bench, seed):
    world = bench(seed=seed, seconds=60.0)
    for channel in ("left", "right"):
        for half in ("upper", "lower"):
            for number in (1, 2):
                amps = world.truth.device_current(channel, half, number)
                assert 0.8 * 0.025 < amps < 1.2 * 0.025


@pytest.mark.parametrize("seed", SEEDS)
def test_rated_power_at_one_percent_with_both_channels_driven(bench, seed):
    world = bench(seed=seed)
    for channel in ("left", "right"):
        assert 42.0 < world.truth.max_power(channel) < 47.0


def test_distortion_at_mid_power_is_a_few_hundredths_of_a_percent(bench):
    world = bench()
    assert 5e-5 < world.truth.thd("left", 0.45) < 4e-4


def test_gain_is_twenty_nine_decibels(bench):
    world = bench()
    assert 20.0 * math.log10(world.truth.gain("left")) == pytest.approx(29.0, abs=0.15)


@pytest.mark.parametrize("seed", SEEDS)
def test_sink_at_an_eighth_of_rated_power_settles_below_its_limit(bench, set_sine, seed):
    world = bench(seed=seed)
    set_sine(world, EIGHTH_POWER_V)
    assert 24.0 < world.truth.settled_sink_rise() < 35.0


def test_sink_settles_with_a_time_constant_of_some_minutes(bench, set_sine):
    world = bench(seconds=3600.0)
    start = world.truth.sink_rise()
    set_sine(world, EIGHTH_POWER_V)
    end = world.truth.settled_sink_rise()
    began = world.now
    while world.truth.sink_rise() < start + (end - start) * (1.0 - math.exp(-1.0)):
        world.advance(10.0)
    assert 6 * 60 < world.now - began < 10 * 60


def test_idle_current_after_the_soak_is_moderately_above_the_cold_one(bench, set_sine):
    world = bench(seconds=30.0)
    cold = world.truth.device_current("left", "upper", 1)
    set_sine(world, EIGHTH_POWER_V)
    world.advance(2400.0)
    set_sine(world, 0.0)
    world.advance(10.0)
    hot = world.truth.device_current("left", "upper", 1)
    assert 0.0 < hot - cold < 10e-3


def test_idle_loop_gain_is_far_from_runaway(bench):
    assert bench(seconds=1200.0).truth.runaway_gain() < 0.3


def test_output_noise_is_below_a_millivolt(bench):
    world = bench()
    t = world.now + np.arange(50_000) / 50e3
    assert np.std(world.voltage("out.left", "ground", t)) < 1e-3


def test_supply_at_idle_is_the_devices_plus_a_little(bench):
    world = bench()
    devices = sum(
        world.truth.device_current(c, "upper", n) for c in ("left", "right") for n in (1, 2)
    )
    drawn = world.supply_state("supply", 1).amps
    assert devices < drawn < devices + 0.03


def test_supply_current_at_power_is_the_mean_of_half_sines(bench, set_sine):
    """Peak/π per channel (any power-amplifier handbook), beside what flows at idle."""
    world = bench()
    set_sine(world, 0.6)
    peak = math.sqrt(2.0) * 0.6 * world.truth.gain("left") / world.truth.load_ohm("left")
    assert world.supply_state("supply", 1).amps == pytest.approx(2.0 * peak / math.pi, rel=0.06)


def test_two_worlds_of_one_seed_are_the_same_and_of_two_seeds_are_not(bench):
    one, same, other = bench(seed=5), bench(seed=5), bench(seed=6)
    t = one.now + np.arange(1000) / 1e5
    volts = [w.voltage("out.left", "ground", t) for w in (one, same, other)]
    assert np.array_equal(volts[0], volts[1])
    assert not np.array_equal(volts[0], volts[2])


def test_asking_where_heat_ends_changes_nothing_now(bench):
    world = bench()
    before = world.truth.device_current("left", "upper", 1)
    world.truth.settled_sink_rise()
    assert world.truth.device_current("left", "upper", 1) == pytest.approx(before, rel=1e-3)


@pytest.mark.parametrize(
    "unit",
    [
        {"rail_voltage": 14.0, "rated_power": 8.0, "rated_load": 4.0, "idle_current": 0.4},
        {"rail_voltage": 12.0, "rated_power": 0.5, "rated_load": 32.0, "idle_current": 0.02},
        {"rail_voltage": 30.0, "rated_power": 40.0, "idle_current": 0.025},
    ],
    ids=["class A", "headphones", "class AB"],
)
def test_a_heatsink_fits_the_heat_of_its_unit_large_or_small(bench, set_sine, unit):
    world = bench({**unit, "output_devices": 1}, volts=unit["rail_voltage"])
    load = unit.get("rated_load", 8.0)
    set_sine(world, math.sqrt(unit["rated_power"] / 8.0 * load) / 10 ** (29.0 / 20.0))
    assert 0.55 * 40.0 < world.truth.settled_sink_rise() < 0.9 * 40.0
