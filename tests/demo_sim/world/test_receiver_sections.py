"""The small-signal part of a receiver-style amplifier, as it shows at its nodes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from demo_sim.errors import DemoError
from demo_sim.ports import Drive, Tone

RECEIVER = {
    "model": "receiver",
    "rail_voltage": 27.0,
    "rated_power": 30.0,
    "gain_db": 28.0,
    "output_devices": 1,
    "inputs": ["line", "phono", "aux"],
    "headphones": True,
    "standby_voltage": 5.0,
}


@pytest.fixture
def receiver(bench):
    """Powered, generators off the plugs and on the line sockets."""
    world = bench(RECEIVER, volts=27.0)
    for number, channel in ((1, "left"), (2, "right")):
        world.connect(f"generator.{number}", f"in.{channel}.line")
    return world


def play(world, volts_peak, frequency_hz=1000.0, outputs=(1, 2)):
    for output in (1, 2):
        drive = Drive((Tone(frequency_hz, volts_peak),), source_ohm=50.0)
        world.set_drive(f"generator.{output}", drive if output in outputs else None)


def level(world, node, frequency_hz=1000.0):
    """Peak volts at a frequency, from a coherent capture of 50 cycles."""
    t = world.now + np.arange(3200) / (64.0 * frequency_hz)
    return np.abs(np.fft.rfft(world.voltage(node, "ground", t)))[50] * 2.0 / 3200


def test_volume_moves_the_output_by_its_law(receiver):
    play(receiver, 0.01)
    receiver.set_setting("volume", 1.0)
    loud = level(receiver, "out.left")
    receiver.set_setting("volume", 0.5)
    assert 20.0 * math.log10(loud / level(receiver, "out.left")) == pytest.approx(30.0, abs=0.6)


def test_tracks_differ_more_at_low_volume(receiver):
    def difference():
        left, right = (receiver.truth.section_gain(c) for c in ("left", "right"))
        return abs(20.0 * math.log10(left / right))

    receiver.set_setting("volume", 0.2)
    low = difference()
    receiver.set_setting("volume", 1.0)
    assert difference() < 0.2
    assert low != pytest.approx(difference(), abs=0.05)


def test_balance_fades_the_far_side_only(receiver):
    before = {c: receiver.truth.section_gain(c) for c in ("left", "right")}
    receiver.set_setting("balance", 0.5)
    assert receiver.truth.section_gain("left") == pytest.approx(0.5 * before["left"])
    assert receiver.truth.section_gain("right") == pytest.approx(before["right"])


@pytest.mark.parametrize(("knob", "frequency"), [("bass", 30.0), ("treble", 20e3)])
def test_tone_controls_reach_about_ten_decibels_and_leave_the_middle(receiver, knob, frequency):
    def at(f):
        return 20.0 * math.log10(receiver.truth.section_gain("left", f))

    flat_end, flat_middle = at(frequency), at(1000.0)
    receiver.set_setting(knob, 1.0)
    assert 8.0 < at(frequency) - flat_end < 10.0
    assert abs(at(1000.0) - flat_middle) < 1.5
    receiver.set_setting(knob, -1.0)
    assert -10.0 < at(frequency) - flat_end < -8.0


def test_loudness_lifts_the_bass_only_when_turned_down(receiver):
    def lift(volume):
        receiver.set_setting("volume", volume)
        receiver.set_setting("loudness", True)
        on = receiver.truth.section_gain("left", 40.0) / receiver.truth.section_gain("left")
        receiver.set_setting("loudness", False)
        off = receiver.truth.section_gain("left", 40.0) / receiver.truth.section_gain("left")
        return 20.0 * math.log10(on / off)

    assert lift(0.3) > 6.0
    assert abs(lift(1.0)) < 0.01


def test_phono_follows_riaa_within_its_parts(receiver):
    receiver.set_setting("input", "phono")
    low, middle, high = (receiver.truth.section_gain("left", f) for f in (50.0, 1e3, 10e3))
    assert 20.0 * math.log10(low / middle) == pytest.approx(16.95, abs=0.3)
    assert 20.0 * math.log10(high / middle) == pytest.approx(-13.73, abs=0.3)


def test_what_is_measured_through_the_sections_is_their_true_gain(receiver):
    play(receiver, 0.05)
    receiver.set_setting("volume", 0.8)
    measured = level(receiver, "out.left") / level(receiver, "in.left.line")
    expected = receiver.truth.section_gain("left") * receiver.truth.gain("left")
    assert measured == pytest.approx(expected, rel=5e-3)


def test_changing_the_input_mutes_the_outputs_for_a_moment(receiver):
    receiver.set_setting("input", "aux")
    assert not receiver.truth.relay_closed("left")
    receiver.advance(1.0)
    assert receiver.truth.relay_closed("left")


def test_a_socket_that_is_not_selected_leaks_a_little(receiver):
    play(receiver, 1.0, 10e3)
    receiver.set_setting("volume", 0.5)
    selected = level(receiver, "out.left", 10e3)
    receiver.set_setting("input", "aux")
    receiver.advance(1.0)
    leaked = level(receiver, "out.left", 10e3)
    assert 40.0 < 20.0 * math.log10(selected / leaked) < 80.0


def test_a_silent_channel_hears_the_other_more_at_high_frequencies(receiver):
    receiver.set_setting("volume", 0.7)

    def separation(frequency_hz):
        play(receiver, 0.2, frequency_hz, outputs=(1,))
        left, right = (level(receiver, f"out.{c}", frequency_hz) for c in ("left", "right"))
        return 20.0 * math.log10(left / right)

    assert 60.0 < separation(1000.0) < 90.0
    assert separation(10e3) < separation(1000.0) - 10.0


def test_volume_down_takes_the_sections_noise_away(receiver):
    def noise():
        t = receiver.now + np.arange(50_000) / 50e3
        return np.std(receiver.voltage("out.left", "ground", t))

    receiver.set_setting("input", "phono")
    receiver.advance(1.0)
    receiver.set_setting("volume", 1.0)
    loud = noise()
    receiver.set_setting("volume", 0.0)
    assert noise() < 0.5 * loud


def test_shorting_the_power_stages_plug_leaves_only_its_own_noise(receiver):
    play(receiver, 0.1)
    receiver.set_setting("power_input", "shorted")
    assert level(receiver, "out.left") < 1e-3
    receiver.set_setting("power_input", "unplugged")
    t = receiver.now + np.arange(10_000) / 10e3
    size = np.abs(np.fft.rfft(receiver.voltage("out.left", "ground", t)))
    assert int(np.argmax(size[10:400])) + 10 == 50


def test_headphones_hear_the_stage_even_before_the_relay_closes(cold_bench, set_supply):
    world = cold_bench(RECEIVER)
    set_supply(world, 27.0)
    world.advance(1.0)
    world.set_drive("generator.1", Drive((Tone(1000.0, 0.1),)))
    assert not world.truth.relay_closed("left")
    assert level(world, "phones.left") > 1.0
    assert level(world, "out.left") < 0.01


def test_the_standby_rail_lives_with_the_mains_plug(cold_bench):
    world = cold_bench(RECEIVER)
    assert world.dc_voltage("standby", "ground", world.now, 0.2) == 0.0
    world.set_setting("mains", True)
    world.set_setting("standby", True)
    world.advance(5.0)
    assert world.dc_voltage("standby", "ground", world.now, 0.2) == pytest.approx(5.0, abs=0.01)
    assert abs(world.truth.rail("pos")) < 0.01


def test_the_main_supply_brings_the_rails_up_with_ripple_and_whine(cold_bench):
    world = cold_bench(RECEIVER)
    world.set_setting("mains", True)
    world.advance(10.0)
    assert world.truth.rail("pos") == pytest.approx(27.0, rel=0.04)
    assert world.truth.relay_closed("left")
    t = world.now + np.arange(10_000) / 1e6
    size = np.abs(np.fft.rfft(world.voltage("rail.pos", "ground", t))) * 2.0 / 10_000
    assert size[660] == pytest.approx(16e-3, rel=0.1)  # 66 kHz; 8/π² of a triangle's peak
    assert size[83] > 3e-3  # 8.3 kHz


def test_unplugging_leaves_the_reservoirs_to_hold_up(cold_bench):
    world = cold_bench(RECEIVER)
    world.set_setting("mains", True)
    world.advance(10.0)
    world.set_setting("mains", False)
    world.advance(0.05)
    assert world.truth.rail("pos") > 20.0
    world.advance(60.0)
    assert world.truth.rail("pos") < 2.0


@pytest.mark.parametrize(
    ("name", "value"), [("volume", 1.5), ("volume", "loud"), ("input", "tape"), ("gain", 1.0)]
)
def test_knobs_refuse_what_they_cannot_do(receiver, name, value):
    with pytest.raises(DemoError):
        receiver.set_setting(name, value)


def test_a_plain_power_amplifier_has_only_plugs_the_speaker_switch_and_its_protection(bench):
    world = bench()
    assert dict(world.settings) == {
        "power_input": "connected",
        "speakers": True,
        "protection_test": "off",
        "mains": False,
    }
    with pytest.raises(DemoError, match="power_input"):
        world.set_setting("volume", 0.5)


def test_with_the_speakers_off_nothing_of_the_stage_is_at_the_terminal(bench):
    world = bench(faults=["hum@left=0.5"])
    world.set_setting("speakers", False)
    assert level(world, "out.left", 100.0) < 1e-6
    world.set_setting("speakers", True)
    assert level(world, "out.left", 100.0) > 1e-3
