"""Faults that come and go, or show only under some condition, do what their description says."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from demo_sim.amplifier.passing import Intermittent, Oscillation

PEAK = math.sqrt(2.0)
LOUD_V, SOFT_V = 0.6, 0.1  # at the input: 17 V and 2.8 V rms at the output


def seen(world, node, seconds=0.05, rate_hz=200e3):
    t = world.now + np.arange(round(seconds * rate_hz)) / rate_hz
    return t, world.voltage(node, "ground", t)


def silent(volts, per_block, below):
    """Share of blocks in which nothing passes ``below``."""
    return float(np.mean(np.abs(volts).reshape(-1, per_block).max(axis=1) < below))


def test_an_inverted_channel_is_the_mirror_image_of_its_input(bench, set_sine):
    world = bench(faults=["inverted_polarity@right"])
    set_sine(world, SOFT_V)
    for channel, sign in (("left", 1), ("right", -1)):
        _, into = seen(world, f"in.{channel}")
        _, out = seen(world, f"out.{channel}")
        assert np.corrcoef(into, out)[0, 1] == pytest.approx(sign, abs=1e-3)
        assert world.truth.polarity(channel) == sign


def test_crossed_inputs_come_out_at_the_other_channel(bench, set_sine):
    world = bench(faults=["crossed_channels"])
    set_sine(world, SOFT_V, outputs=1)
    assert np.std(seen(world, "in.left")[1]) == pytest.approx(SOFT_V, rel=0.02)
    assert np.std(seen(world, "out.right")[1]) > 100 * np.std(seen(world, "out.left")[1])


def test_a_chattering_relay_opens_as_often_and_as_long_as_it_says(bench, set_sine):
    world = bench(faults=["relay_chatter@left"])
    set_sine(world, SOFT_V)
    t, volts = seen(world, "out.left", 60.0, 20e3)
    openings = world.truth.openings("left", float(t[0]), float(t[-1]))
    assert 4 <= len(openings) <= 8  # one in ten seconds
    assert all(0.025 <= end - begin <= 0.075 for begin, end in openings)
    open_s = sum(end - begin for begin, end in openings)
    assert silent(volts, 40, 1e-6) * 60.0 == pytest.approx(open_s, abs=0.004 * len(openings))
    assert silent(seen(world, "out.right", 10.0, 20e3)[1], 40, 1e-6) == 0.0


def test_overlapping_looks_agree_about_a_contact(bench, set_sine):
    world = bench(faults=["relay_chatter@left=1.0"])
    set_sine(world, SOFT_V)
    begin, end = world.truth.openings("left", world.now, world.now + 30.0)[0]
    t = np.linspace(begin - 0.01, end + 0.01, 4001)
    volts = world.voltage("out.left", "ground", t)
    inside = (t > begin + 1e-4) & (t < end - 1e-4)
    assert not volts[inside].any()
    assert np.std(volts[~inside]) > 1.0


def test_dropouts_take_the_signal_and_leave_the_outputs_own_noise(bench, set_sine):
    world = bench(faults=["dropouts@left=1.0"])
    set_sine(world, SOFT_V)
    begin, end = world.truth.openings("left", world.now, world.now + 60.0)[0]
    t = np.linspace(begin + 0.01, end - 0.01, 2001)
    left = world.voltage("out.left", "ground", t)
    assert 0.0 < np.std(left) < 2e-3


def test_a_contact_may_let_go_only_when_warm():
    warm = Intermittent(every_s=1.0, above_c=40.0)
    assert list(warm.openings(1, "x", 0.0, 20.0))
    assert not list(Intermittent().openings(1, "x", 0.0, 1e4))


def test_part_of_an_aperture_in_which_a_contact_is_open_is_missing_from_its_mean(bench):
    world = bench(faults=["relay_chatter@left=1.0", "dc_offset@left"])
    begin, end = world.truth.openings("left", world.now, world.now + 30.0)[0]
    whole = world.dc_voltage("out.left", "ground", end + 0.2, 0.2)
    half = world.dc_voltage("out.left", "ground", begin - (end - begin), 2.0 * (end - begin))
    assert half / whole == pytest.approx(0.5, abs=0.02)


def high_frequency(world, node):
    _, volts = seen(world, node, 2e-3, 50e6)
    return float(np.std(np.diff(volts)))


def test_oscillation_stands_on_signal_peaks_alone(bench, set_sine):
    world = bench(faults=["peak_oscillation@left"])
    set_sine(world, SOFT_V)
    quiet = high_frequency(world, "out.left")
    set_sine(world, LOUD_V)
    assert high_frequency(world, "out.left") > 20.0 * quiet
    assert high_frequency(world, "out.left") > 20.0 * high_frequency(world, "out.right")


def test_oscillation_of_one_half_stands_on_its_own_peaks():
    t = np.arange(2000) / 100e6
    swing = np.where(t < 1e-5, 20.0, -20.0)
    volts = Oscillation(peak_v=1.0, above_v=12.0, side="lower").at(t, swing)
    assert not volts[t < 1e-5].any()
    assert volts[t >= 1e-5].max() > 0.9


def test_a_stage_may_oscillate_only_into_a_capacitor(bench):
    world = bench(faults=["load_oscillation@left"])
    quiet = high_frequency(world, "out.left")
    world.connect("capacitor.1", "out.left")
    world.connect("capacitor.2", "ground")
    assert high_frequency(world, "out.left") > 100.0 * quiet


BRIDGED = {"topology": "bridged", "channels": ["left"]}


def test_what_a_bridged_stage_adds_stands_between_its_terminals(bench):
    world = bench(BRIDGED, ["load_oscillation@left"])
    world.connect("capacitor.1", "out.left.pos")
    world.connect("capacitor.2", "out.left.neg")
    t = world.now + np.arange(4000) / 20e6
    one, other = (world.voltage(f"out.left.{side}", "ground", t) for side in ("pos", "neg"))
    across = world.voltage("out.left.pos", "out.left.neg", t)
    assert np.std(one - other) == pytest.approx(1.0 / math.sqrt(2.0), rel=0.05)
    assert np.std(across) == pytest.approx(np.std(one - other), rel=0.05)
    assert np.std(other) < 0.05 * np.std(one)


def test_a_bridged_stage_oscillates_by_the_swing_of_one_terminal(bench, set_sine):
    world = bench(BRIDGED, ["peak_oscillation@left"])
    # 0.4 of the 30 V of a rail: at 10 V of one terminal, 20 V across both, there is none yet
    for volts, there in ((0.7 * LOUD_V, False), (LOUD_V * 1.2, True)):
        set_sine(world, volts, outputs=1)
        peak = np.abs(seen(world, "out.left.pos")[1]).max()
        assert (peak > 12.5) == there
        t = world.now + np.arange(100000) / 50e6
        across = world.voltage("out.left.pos", "out.left.neg", t)
        rough = np.std(np.diff(across))
        assert (rough > 0.01) == there
        assert (world.truth.oscillation_v("left", volts) > 0.0) == there


def test_dc_that_kicks_a_bridged_stage_is_across_its_terminals(bench, made_up):
    kicks = made_up("kicks", lambda c: replace(c, kick=Intermittent(4.0, 0.5), kick_v=0.4))
    world = bench(BRIDGED, [kicks])
    t = world.now + np.arange(20000) / 1000.0
    one, other = (world.voltage(f"out.left.{side}", "ground", t) for side in ("pos", "neg"))
    assert np.abs(one - other).max() == pytest.approx(0.4, abs=0.1)
    halves = [world.dc_voltage(f"out.left.{s}", "ground", t[0], 20.0) for s in ("pos", "neg")]
    assert halves[0] - halves[1] == pytest.approx(np.mean(one - other), abs=0.01)


def test_loss_of_bass_leaves_the_middle_alone(bench):
    healthy, thin = bench(), bench(faults=["loss_of_bass@left=1.0"])
    ratio = {f: thin.truth.gain("left", f) / healthy.truth.gain("left", f) for f in (300.0, 5e3)}
    assert ratio[300.0] == pytest.approx(1.0 / PEAK, rel=0.02)
    assert ratio[5e3] == pytest.approx(1.0, abs=0.01)


def test_slow_rails_cost_power_in_the_bass_alone(bench):
    healthy, slow = bench(), bench(faults=["slow_rails"])
    for hz, least, most in ((20.0, 0.0, 0.7), (1000.0, 0.97, 1.001)):
        ratio = slow.truth.max_power("left", 0.01, hz) / healthy.truth.max_power("left", 0.01, hz)
        assert least < ratio < most


def test_crackles_come_a_few_times_a_minute_warm_or_cold(bench):
    world = bench(faults=["crackle@left=1.0"])
    _, volts = seen(world, "out.left", 120.0, 10e3)
    loud = np.abs(volts).reshape(-1, 1000).max(axis=1) > 0.02
    assert 3 <= loud.sum() <= 25
    assert np.abs(seen(world, "out.right", 10.0, 10e3)[1]).max() < 0.01


def test_a_joint_that_opens_in_the_heat_is_quiet_until_the_sink_is_hot(bench, set_sine):
    world = bench(faults=["crackle_when_hot@left=1.0"])
    assert world.truth.temperature("sink") < 36.0
    assert world.truth.crackles_hz("left") == 0.0
    assert np.abs(seen(world, "out.left", 60.0, 10e3)[1]).max() < 0.01
    set_sine(world, 0.3)
    world.advance(1800.0)
    set_sine(world, 0.0)
    world.advance(1.0)
    assert world.truth.temperature("sink") > 38.0
    assert world.truth.crackles_hz("left") == pytest.approx(1.0 / 15.0)
    assert np.abs(seen(world, "out.left", 100.0, 10e3)[1]).max() > 0.02


def test_hum_comes_with_the_current_that_the_rails_draw(bench, set_sine):
    world = bench(faults=["hum_when_driven@left"])
    idle = world.truth.lines("out.left")[100.0]
    set_sine(world, 0.3)
    world.advance(1.0)
    assert world.truth.lines("out.left")[100.0] > 50.0 * idle
    assert world.truth.lines("out.right")[100.0] == pytest.approx(idle, rel=0.1)


def test_a_thump_dies_away_after_the_relay_closes(bench):
    world = bench(faults=["thump@left"], seconds=0.5)
    while not world.truth.relay_closed("left"):
        world.advance(0.05)
    _, volts = seen(world, "out.left", 1.0, 20e3)
    assert np.abs(volts).max() > 2.0
    assert np.abs(volts[-2000:]).max() < 0.05


def test_a_thump_leaves_the_output_when_switched_off(bench, set_supply):
    highest = {}
    for name in ("thump@left", "thump@left=0"):
        world = bench(faults=[name])
        set_supply(world, 30.0, on=False)
        highest[name] = 0.0
        for _ in range(20):
            world.advance(0.1)
            if world.truth.relay_closed("left"):
                highest[name] = max(highest[name], abs(world.truth.dc("out.left")))
    assert highest["thump@left"] > 1.0
    assert highest["thump@left=0"] < 0.02


def test_blind_protection_leaves_the_load_on_dc(bench):
    two_volts = ["dc_offset@left=1.0", "dc_offset@left=1.0"]
    sound, blind = bench(faults=two_volts), bench(faults=[*two_volts, "blind_protection@left"])
    assert not sound.truth.relay_closed("left")
    assert blind.truth.relay_closed("left")
    assert abs(blind.truth.offset("left")) > 1.9


def test_crosstalk_grows_by_what_its_severity_says(bench, set_sine):
    healthy, worse = bench(), bench(faults=["crosstalk@right=0.5"])
    heard = []
    for world in (healthy, worse):
        set_sine(world, SOFT_V, outputs=1)
        table = world.truth.output("right")[1]
        heard.append(float(np.std(table)))
    assert 20 * math.log10(heard[1] / heard[0]) == pytest.approx(30.0, abs=1.0)
