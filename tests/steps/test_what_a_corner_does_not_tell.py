"""Parts of the band, moments and states that one look in the middle of them does not show."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from demo_sim.amplifier.passing import Oscillation
from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec, Resonance
from seqrun.errors import NotMeasured
from seqrun.values import Bound, Verdict

Powered = Callable[..., Any]
SWEEP = """
[[step]]
id = "treble"
do = "upper_corner"
low = "1 kHz"
high = "20 kHz"
per_octave = 3
[[step]]
id = "even"
do = "flatness"
of = "treble"
band = ["1 kHz", "16 kHz"]
"""
STRAY = '[[step]]\nid = "stray"\ndo = "stray_signal"\nabove = "30 kHz"\npower = "{power}"\n'
BURSTS = '[[step]]\nid = "loud"\ndo = "burst_distortion"\n'
POWER = '[[step]]\nid = "steady"\ndo = "thd"\npower = "rated_power"\n'
NOISE = '[[step]]\nid = "noise"\ndo = "driven_noise"\npower = "rated_power / 2"\n'
LOAD_OFF = """
[[step]]
id = "contacts"
do = "source_impedance"
[[step]]
id = "bare"
do = "stray_unloaded"
of = "contacts"
"""
GAIN_TWICE = """
[[step]]
id = "gain"
do = "gain"
[[step]]
id = "again"
do = "gain"
[[step]]
id = "drift"
do = "gain_drift"
of = "again"
against = "gain"
"""


def resonant(hz: float, db: float, q: float) -> Callable[[ChannelSpec], ChannelSpec]:
    def of(channel: ChannelSpec) -> ChannelSpec:
        legs = [replace(leg, resonance=Resonance(hz, db, q)) for leg in channel.legs]
        return replace(channel, legs=tuple(legs))

    return of


@pytest.mark.parametrize(("hz", "db", "q"), [(5000.0, -2.5, 1.0), (12e3, 4.0, 2.0)])
def test_a_part_of_the_band_that_is_lifted_or_lost_shows_although_its_ends_are_there(
    powered: Powered, made_up: Any, hz: float, db: float, q: float
) -> None:
    read = powered(made_up("lift" if db > 0.0 else "dip", resonant(hz, db, q))).do(SWEEP)
    assert read.one("upper_corner", "left").value == 20e3
    uneven = [r.value for r in read.all("flatness") if r.channel == "left"][-1]
    assert uneven == pytest.approx(abs(db), rel=0.15)
    assert [r.value for r in read.all("flatness") if r.channel == "right"][-1] < 0.5


def test_flatness_of_a_step_that_sweeps_nothing_is_not_measured(powered: Powered) -> None:
    gain = '[[step]]\nid = "treble"\ndo = "gain"\n[[step]]\nid = "even"\ndo = "flatness"\n'
    assert "has swept nothing" in powered().do(gain + 'of = "treble"\n').reason()


def test_an_oscillation_between_the_audio_band_and_radio_is_seen(
    powered: Powered, made_up: Any
) -> None:
    low = Oscillation(0.5, frequency_hz=60e3)
    unit = powered(made_up("low_oscillation", lambda c: replace(c, oscillation=low)))
    read = unit.do(STRAY.format(power="rated_power / 2"))
    assert read.one("stray", "left").value > 0.2
    assert read.one("stray", "right").value < 0.01


def test_a_stage_that_oscillates_about_its_rest_alone_is_seen_beside_a_small_tone(
    powered: Powered, made_up: Any
) -> None:
    about = Oscillation(0.3, frequency_hz=600e3, above_v=0.0, below_v=0.1)
    unit = powered(made_up("rest_oscillation", lambda c: replace(c, oscillation=about)))
    loud = unit.do(STRAY.format(power="rated_power / 2")).one("stray", "left").value
    quiet = unit.do(STRAY.format(power="rated_power / 1000"))
    assert quiet.one("stray", "left").value > 0.15 > 2.0 * loud
    assert quiet.one("stray", "right").value < 0.002


def test_a_stage_that_only_its_load_keeps_still_is_seen_while_the_load_is_off(
    powered: Powered, made_up: Any
) -> None:
    bare = Oscillation(1.0, frequency_hz=400e3, above_v=0.0, when="unloaded")
    read = powered(made_up("bare", lambda c: replace(c, oscillation=bare))).do(LOAD_OFF)
    assert read.one("stray_unloaded", "left").value == pytest.approx(0.7, rel=0.1)
    assert read.one("stray_unloaded", "right").value < 0.01
    assert read.one("source_impedance", "left").value < 0.05


@pytest.mark.parametrize(
    ("name", "peak_v", "above_v", "below_v"),
    [("loud", 0.8, 12.0, math.inf), ("about_rest", 0.8, 0.0, 0.05), ("large", 3.0, 0.0, math.inf)],
)
def test_without_its_load_an_output_is_looked_at_loud_and_about_its_rest_where_the_step_says_so(
    powered: Powered, made_up: Any, name: str, peak_v: float, above_v: float, below_v: float
) -> None:
    bare = Oscillation(peak_v, 500e3, above_v=above_v, below_v=below_v, when="unloaded")
    unit = powered(made_up(name, lambda c: replace(c, oscillation=bare)))
    read = unit.do(
        LOAD_OFF.replace('source_impedance"\n', 'source_impedance"\nunloaded_power = "20 W"\n')
    )
    assert read.one("stray_unloaded", "left").value > 0.5 * peak_v
    assert read.one("stray_unloaded", "right").value < 0.01


def test_what_cannot_look_above_the_band_reads_the_source_impedance_all_the_same(
    powered: Powered,
) -> None:
    limited = LOAD_OFF.replace('"contacts"\ndo', '"contacts"\nlimit = { at_most = "1 Ω" }\ndo')
    read = powered(bench="demo:sound_card").do(limited)
    assert read.one("source_impedance", "left").value < 0.05
    assert "400 kHz are needed" in read.all("stray_unloaded")[0].note  # left out by the plan


def test_a_look_at_an_output_without_its_load_that_fails_costs_nothing_else(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    def deaf(*_: Any) -> Any:
        raise NotMeasured("the record is no good")

    monkeypatch.setattr("seqrun.steps.unloaded.looks_at", deaf)
    read = powered().do(LOAD_OFF)
    assert read.one("source_impedance", "left").value < 0.05
    assert [r.note for r in read.all("stray_unloaded")] == ["the record is no good"] * 2


def test_a_unit_that_is_too_slow_for_its_power_at_the_upper_end_is_told_what_it_gives_there(
    powered: Powered, made_up: Any
) -> None:
    def slow(unit: AmplifierSpec) -> AmplifierSpec:
        return replace(unit, path=replace(unit.path, slew_v_per_s=0.8e6))

    high = '[[step]]\nid = "high"\ndo = "output_power"\nfrequency = "20 kHz"\n'
    read = powered(made_up("too_slow", slow, whole=True)).do(high)
    # Nothing is slower than a sine's steepest volt: 0.8 V/µs is 6.4 V of peak at 20 kHz.
    assert 1.5 < read.one("output_power", "left").value < 6.4**2 / 2.0 / 8.0 * 1.3
    assert 1.5 < read.one("output_power", "right").value < 6.4**2 / 2.0 / 8.0 * 1.3


def test_rails_that_give_way_when_a_burst_begins_hold_under_a_steady_tone(
    powered: Powered, made_up: Any
) -> None:
    def slow(unit: AmplifierSpec) -> AmplifierSpec:
        return replace(unit, rails=replace(unit.rails, slow_ohm=6.0, slow_hz=1.5))

    read = powered(made_up("burst_rails", slow, whole=True)).do(BURSTS + POWER)
    assert read.one("burst_thd", "left").value > 3.0
    assert read.all("thd")[0].value < 0.5


def test_within_bursts_a_healthy_unit_distorts_no_more_than_else(powered: Powered) -> None:
    assert powered().do(BURSTS).one("burst_thd", "right").value < 0.2


def test_a_burst_that_does_not_reach_its_power_can_fail_and_not_pass(powered: Powered) -> None:
    read = powered().do(BURSTS + 'power = "80 W"\nlimit = { at_most = "90 %" }\n')
    found = [j for j in read.judged if j.quantity == "burst_thd"]
    assert [(j.channel, j.reading.bound) for j in found] == [
        ("left", Bound.AT_LEAST),
        ("right", Bound.AT_LEAST),
    ]
    assert all(j.verdict is not Verdict.PASS for j in found)
    assert powered().do(BURSTS).one("burst_thd", "left").bound is not Bound.AT_LEAST


def test_a_generator_without_bursts_switches_the_tone_on(powered: Powered) -> None:
    read = powered(bench="demo:sound_card").do(BURSTS + "cycles = 30\n").one("burst_thd", "left")
    assert "from when the tone was switched on" in read.note
    assert read.value < 0.3


def test_hiss_that_comes_with_the_signal_is_not_there_at_rest(
    powered: Powered, made_up: Any
) -> None:
    hiss = made_up("hiss", lambda c: replace(c, noise=replace(c.noise, white_per_a=4e-6)))
    read = powered(hiss).do(NOISE)
    assert read.one("noise_driven", "left").value > 0.018
    assert read.one("noise_driven", "right").value < 0.006


def test_the_drift_of_a_gain_is_closer_than_the_gain(powered: Powered) -> None:
    read = powered().do(GAIN_TWICE)
    drift = read.one("gain_drift", "left")
    before, after = (r.value for r in read.all("gain") if r.channel == "left")
    assert drift.value == pytest.approx(after - before, abs=1e-9)
    assert abs(drift.value) < 0.01
    assert drift.bound is Bound.EXACT
    whole = read.all("gain")[0].expanded_uncertainty
    assert 0.05 * whole < drift.expanded_uncertainty < 0.2 * whole
