"""Gain, balance, response, separation and source impedance against the simulated unit."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pytest_mock import MockerFixture

from demo_sim.amplifier.spec import ChannelSpec, RelaySpec
from seqrun.instruments.roles import Capture
from seqrun.runner.lent import Lent
from seqrun.steps.common import drive
from seqrun.values import Bound

Powered = Callable[..., Any]
COUPLED = ChannelSpec("any", (), RelaySpec()).crosstalk


def decibels(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


@pytest.mark.parametrize("by", ["scope", "meter"])
def test_gain_holds_the_true_gain(powered: Powered, by: str) -> None:
    unit = powered()
    read = unit.do(f'[[step]]\nid = "g"\ndo = "gain"\nby = "{by}"\n')
    for channel in ("left", "right"):
        gain = read.one("gain", channel)
        truth = decibels(unit.truth.gain(channel))
        assert gain.value == pytest.approx(truth, abs=gain.expanded_uncertainty)


def test_the_meter_knows_the_balance_closer_than_the_scope(powered: Powered) -> None:
    unit = powered()
    read = unit.do(
        '[[step]]\nid = "b"\ndo = "channel_balance"\n'
        '[[step]]\nid = "m"\ndo = "channel_balance"\nby = "meter"\n'
    )
    by_scope, by_meter = read.all("channel_balance")
    truth = decibels(unit.truth.gain("left") / unit.truth.gain("right"))
    for balance in (by_scope, by_meter):
        assert balance.value == pytest.approx(truth, abs=balance.expanded_uncertainty)
    assert by_meter.expanded_uncertainty < 0.1 * by_scope.expanded_uncertainty


def test_a_channel_that_lost_gain_is_out_of_balance_by_it(powered: Powered) -> None:
    unit = powered("loss_of_gain@right=0.3")
    read = unit.do('[[step]]\nid = "b"\ndo = "channel_balance"\n').one("channel_balance")
    assert read.channel == "left/right"
    assert read.value == pytest.approx(6.0, abs=0.5)


def test_lost_treble_shows_in_flatness_and_upper_corner(powered: Powered) -> None:
    unit = powered("loss_of_treble@left=0.6")
    read = unit.do(
        '[[step]]\nid = "f"\ndo = "frequency_response"\nlow = "20 Hz"\nhigh = "40 kHz"\n'
    )
    at_1k, at_20k = (unit.truth.gain("left", f) for f in (1e3, 20e3))
    flatness = read.one("flatness", "left")
    assert flatness.value == pytest.approx(
        decibels(at_1k / at_20k), abs=flatness.expanded_uncertainty
    )
    corner = read.one("upper_corner", "left")
    assert decibels(unit.truth.gain("left", corner.value) / at_1k) == pytest.approx(-3.01, abs=0.2)
    assert read.one("upper_corner", "right").bound is Bound.AT_LEAST


def test_a_flat_input_departs_from_the_riaa_curve_by_the_curve_itself(powered: Powered) -> None:
    read = powered().do(
        '[[step]]\nid = "r"\ndo = "riaa_deviation"\ninput = ""\nlow = "100 Hz"\nhigh = "10 kHz"\n'
    )
    found = read.one("riaa_deviation", "left")
    # IEC 60098: -13.734 dB at 10 kHz.
    assert found.value == pytest.approx(13.734, abs=found.expanded_uncertainty)


def true_impedance(unit: Any, channel: str) -> float:
    """Ω, from how the output itself falls under its load."""
    levels = []
    for connected in (True, False):
        if not connected:
            unit.world.disconnect(f"load.{channel}.1")
        with unit.truth.driven(0.1):
            levels.append(float(np.abs(np.fft.rfft(unit.truth.output(channel)[1]))[1]))
    hot = unit.view.point(f"out.{channel}").hot
    unit.world.connect(f"load.{channel}.1", hot)
    return float(unit.truth.load_ohm(channel) * (levels[1] / levels[0] - 1.0))


@pytest.mark.parametrize(
    ("faults", "sheet"), [((), None), (("resistive_relay@left=0.1",), None), ((), "demo-bridged")]
)
def test_source_impedance_is_that_of_stage_and_contacts(
    powered: Powered, faults: tuple[str, ...], sheet: str | None
) -> None:
    unit = powered(*faults, unit=sheet)
    seen = '[[step]]\nid = "seen"\ndo = "await_output"\n'  # as in any run, a tone was heard before
    read = unit.do(seen + '[[step]]\nid = "z"\ndo = "source_impedance"\n')
    for channel in ("left", "right"):
        found = read.one("source_impedance", channel)
        truth = true_impedance(unit, channel)
        assert found.value == pytest.approx(truth, abs=found.expanded_uncertainty)
        factor = read.one("damping_factor", channel)
        assert factor.value == pytest.approx(8.0 / found.value)


def test_gain_of_a_bridge_is_that_between_its_terminals(powered: Powered) -> None:
    unit = powered(unit="demo-bridged")
    read = unit.do('[[step]]\nid = "g"\ndo = "gain"\n').one("gain", "left")
    truth = decibels(unit.truth.gain("left"))
    assert read.value == pytest.approx(truth, abs=read.expanded_uncertainty)


def test_a_coupling_that_has_yet_to_follow_half_a_rail_is_waited_for(powered: Powered) -> None:
    """The relays have closed just now: terminals that rest at half the rail are beyond the range
    of a scope whose coupling to AC takes seconds."""
    unit = powered(unit="demo-bridged", seed=181)  # nobody else's: nothing was heard on it yet
    read = unit.do('[[step]]\nid = "g"\ndo = "gain"\n').one("gain", "left")
    truth = decibels(unit.truth.gain("left"))
    assert read.value == pytest.approx(truth, abs=read.expanded_uncertainty)


GAIN = """
[[step]]
id = "g"
do = "gain"
limit = { between = ["28 dB", "30 dB"] }
"""


@pytest.mark.parametrize("severity", [0.7, 0.9])
def test_a_channel_that_has_lost_gain_is_no_tone_that_has_gone(
    powered: Powered, severity: float
) -> None:
    """A fifth of what was expected, and as much all the time: what it is like fails."""
    unit = powered(f"loss_of_gain@left={severity}", seed=181)
    left, right = unit.do(GAIN).all("gain")
    assert left.value == pytest.approx(decibels(unit.truth.gain("left")), abs=0.3)
    assert left.value < 18.0 < 28.0 < right.value


def test_a_tone_that_falls_to_a_tenth_in_mid_step_has_gone(
    powered: Powered, mocker: MockerFixture
) -> None:
    """The lead is not known to be on any more: a tenth is more than an open one picks up."""
    looks = iter([1.0, 1.0])

    def falls(got: Capture, hot: int, cold: int | None) -> drive.Waveform:
        wave = across(got, hot, cold)
        return replace(wave, volts=next(looks, 0.1) * wave.volts)

    across = drive.across
    mocker.patch.object(drive, "across", side_effect=falls)
    lost = mocker.spy(Lent, "contact_lost")
    powered("hum@left=0.003", seed=181).do(GAIN)  # nobody else's
    assert lost.call_count


def test_the_loads_are_back_on_after_the_source_impedance(powered: Powered) -> None:
    unit = powered()
    unit.do('[[step]]\nid = "z"\ndo = "source_impedance"\nrepeats = 1\n')
    assert unit.world.node_of("load.left.1") == "out.left"
    assert unit.world.node_of("load.right.1") == "out.right"


def test_separation_at_1_khz_is_that_of_the_coupling_between_the_channels(
    powered: Powered,
) -> None:
    read = powered().do('[[step]]\nid = "s"\ndo = "channel_separation"\npower = "10 W"\n')
    for way in ("left/right", "right/left"):
        separation = read.one("channel_separation", way)
        assert separation.value == pytest.approx(-decibels(COUPLED), abs=0.5)


def test_a_load_returned_to_the_other_channel_couples_by_its_contact(powered: Powered) -> None:
    unit = powered(seed=2)
    unit.world.connect("load.left.2", "out.right")
    read = unit.do(
        '[[step]]\nid = "s.{channel}"\neach = { channel = ["left"] }\n'
        'do = "channel_separation"\npower = "2 W"\n'
    ).one("channel_separation")
    unit.world.connect("load.left.2", "ground")
    contact = unit.world._unit.spec.channel("right").relay.contact_ohm
    # The left load's current returns through the right contact; the reading is of out.left itself.
    load = unit.truth.load_ohm("left") + contact
    assert read.bound is Bound.EXACT
    assert read.value == pytest.approx(decibels(load / contact), abs=0.5)


def test_a_control_that_the_unit_has_not_is_not_measured(powered: Powered) -> None:
    text = '[[step]]\nid = "t"\ndo = "tone_range"\ncontrol = "bass"\n'
    assert "has no 'bass'" in powered().do(text).reason()


@pytest.mark.parametrize(("knob", "told"), [("volume_in", "hears"), ("volume_out", "plays")])
def test_a_volume_that_was_moved_since_the_levelling_is_told(
    powered: Powered, knob: str, told: str
) -> None:
    unit = powered(bench="demo:sound_card")
    setattr(unit.sound, knob, 1.05)
    try:
        reason = unit.do('[[step]]\nid = "g"\ndo = "gain"\n').reason()
    finally:
        setattr(unit.sound, knob, 1.0)
    assert f"where the sound interface {told}" in reason
    read = unit.do('[[step]]\nid = "g"\ndo = "gain"\n')
    assert read.one("gain", "left").value == pytest.approx(29.0, abs=0.6)
