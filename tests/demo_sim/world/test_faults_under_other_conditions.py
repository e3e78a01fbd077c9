"""What a channel becomes under other conditions than warmth, and faults that go by the signal."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from demo_sim import fault_requests
from demo_sim.amplifier.changeable import Changeable, Seen, When
from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec
from demo_sim.bench_parts import BenchSpec
from demo_sim.ports import Drive, OutputSetting, Tone
from demo_sim.world import World

Floats = NDArray[np.float64]
Change = Callable[[ChannelSpec], ChannelSpec]
AT_REST = Seen(1.0, True, 1, 0.0, False, False, False)


def world(
    monkeypatch: pytest.MonkeyPatch,
    change: Change,
    whole: Callable[[AmplifierSpec], AmplifierSpec] | None = None,
) -> World:
    """A unit with its left channel changed, powered by two supply outputs, its outputs on loads."""

    def put(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
        unit = bench.amplifier.with_channel("left", change)
        return replace(bench, amplifier=whole(unit) if whole else unit)

    info = fault_requests.FaultInfo("of_a_test", "", "", False, 1.0, "fault")
    monkeypatch.setitem(fault_requests._CATALOGUE, "of_a_test", (info, put))
    made = World(faults=["of_a_test"], seed=3)
    for terminal, node in (
        ("supply.1.pos", "rail.pos"),
        ("supply.1.neg", "ground"),
        ("supply.2.pos", "ground"),
        ("supply.2.neg", "rail.neg"),
        ("load.left.1", "out.left"),
        ("load.left.2", "ground"),
        ("load.right.1", "out.right"),
        ("load.right.2", "ground"),
        ("generator.1", "in.left"),
        ("generator.2", "in.right"),
    ):
        made.connect(terminal, node)
    rails(made, 30.0)
    return made


def rails(made: World, volts: float, seconds: float = 8.0) -> None:
    for output in (1, 2):
        made.set_supply("supply", output, OutputSetting(volts, 5.0, volts > 0.0))
    made.advance(seconds)


def play(
    made: World, output_v: float, hertz: float = 1000.0, terminal: str = "generator.1"
) -> None:
    """A sine of so many V rms at an output, by a gain of 29 dB."""
    peak = output_v * math.sqrt(2.0) / 10.0 ** (29.0 / 20.0)
    made.set_drive(terminal, Drive(tones=(Tone(hertz, peak),)))
    made.advance(0.01)


def output(made: World, seconds: float = 0.02, node: str = "out.left") -> Floats:
    t = made.now + np.arange(round(seconds * 100e3)) / 100e3
    return made.voltage(node, "ground", t)


def dc(made: World) -> float:
    return float(output(made).mean())


def offset(volts: float) -> Change:
    return lambda c: replace(
        c, legs=tuple(replace(leg, offset_v=leg.offset_v + volts) for leg in c.legs)
    )


def under(when: When, volts: float = 0.2) -> Change:
    return lambda c: replace(c, other=offset(volts), when=when)


def test_a_channel_waits_before_it_turns_and_before_it_turns_back() -> None:
    channel = Changeable(When(load_above_a=1.0, for_s=2.0, left_s=5.0))
    loud, quiet = replace(AT_REST, load_a=1.5), AT_REST
    seen = []
    for now, one in (
        (0.0, loud),
        (1.9, loud),
        (2.0, loud),
        (3.0, quiet),
        (7.9, quiet),
        (8.0, quiet),
    ):
        channel.observe(now, one)
        seen.append(channel.on)
    assert seen == [False, False, True, True, True, False]


def test_what_stops_in_time_turns_nothing() -> None:
    channel = Changeable(When(load_above_a=1.0, for_s=2.0))
    for now, one in (
        (0.0, replace(AT_REST, load_a=1.5)),
        (1.0, AT_REST),
        (2.5, replace(AT_REST, load_a=1.5)),
    ):
        channel.observe(now, one)
    assert not channel.on
    assert channel.next_event == 4.5


def test_what_latches_stays_until_the_rails_are_down() -> None:
    channel = Changeable(When(load_above_a=1.0, latched=True))
    channel.observe(0.0, replace(AT_REST, load_a=1.5))
    channel.observe(100.0, AT_REST)
    assert channel.on
    channel.observe(101.0, replace(AT_REST, up=False, rail=0.0))
    assert not channel.on


def test_dc_comes_with_a_low_rail_and_goes_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    made = world(monkeypatch, under(When(rail_below=0.95, ups=1)))
    assert abs(dc(made)) < 0.02
    rails(made, 27.0, 4.0)
    assert dc(made) == pytest.approx(0.2, abs=0.02)
    rails(made, 30.0, 1.0)
    assert abs(dc(made)) < 0.02


def test_dc_comes_with_the_second_time_the_rails_are_up(monkeypatch: pytest.MonkeyPatch) -> None:
    made = world(monkeypatch, under(When(ups=2)))
    assert abs(dc(made)) < 0.02
    rails(made, 0.0, 60.0)
    rails(made, 30.0)
    assert dc(made) == pytest.approx(0.2, abs=0.02)


def test_an_overdriven_channel_is_another_for_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    made = world(monkeypatch, under(When(overdriven=True, left_s=2.0)))
    play(made, 18.0)
    assert abs(dc(made)) < 0.02
    play(made, 25.0)
    made.set_drive("generator.1", None)
    made.advance(0.5)
    assert dc(made) == pytest.approx(0.2, abs=0.02)
    made.advance(2.0)
    assert abs(dc(made)) < 0.02


def test_what_leaks_in_is_no_signal_of_a_channel_s_own(monkeypatch: pytest.MonkeyPatch) -> None:
    made = world(monkeypatch, under(When(own="quiet", others="driven")))
    play(made, 10.0, terminal="generator.2")
    assert dc(made) == pytest.approx(0.2, abs=0.02)
    play(made, 10.0)
    assert abs(dc(made)) < 0.02


def test_a_contact_that_bounces_is_open_for_half_of_the_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = world(monkeypatch, lambda c: replace(c, relay=replace(c.relay, bounce_s=1.0)))
    rails(made, 0.0, 60.0)
    play(made, 1.0)
    rails(made, 30.0, 0.0)
    while made.relay_moves_in() > 1e3 or made.restless(0.0):
        made.advance(0.05)
    made.advance(made.relay_moves_in() + 1e-6)
    frames = output(made, 2.0).reshape(-1, 100).std(axis=1)
    first, later = frames[:1000] < 0.1, frames[1000:] < 0.1
    assert 0.4 < first.mean() < 0.6
    assert not later[50:].any()


def test_a_stage_that_sticks_stays_at_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    def near_the_end(sticks_s: float) -> float:
        def sticky(c: ChannelSpec) -> ChannelSpec:
            return replace(c, legs=tuple(replace(leg, stick_s=sticks_s) for leg in c.legs))

        made = world(monkeypatch, sticky)
        play(made, 25.0)
        volts = output(made)
        return float(np.mean(volts > 0.98 * volts.max())) / 1000.0

    assert near_the_end(1e-4) - near_the_end(0.0) == pytest.approx(1e-4, abs=2e-5)


def test_a_gain_that_wanders_is_back_after_its_period(monkeypatch: pytest.MonkeyPatch) -> None:
    made = world(monkeypatch, lambda c: replace(c, wander=0.1, wander_s=4.0))
    play(made, 2.0)
    levels = []
    for _ in range(40):
        levels.append(float(output(made).std()))
        made.advance(0.1)
    assert max(levels) / min(levels) == pytest.approx(1.1 / 0.9, rel=0.02)


def test_a_limiter_squeezes_what_is_loud_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def squash(c: ChannelSpec) -> ChannelSpec:
        return replace(c, legs=tuple(replace(leg, squash=0.3, squash_from_v=8.0) for leg in c.legs))

    made = world(monkeypatch, squash)
    play(made, 2.0)
    quiet = float(output(made).std()) / 2.0
    play(made, 17.0)
    mean = 17.0 * quiet * 2.0 * math.sqrt(2.0) / math.pi
    assert float(output(made).std()) / 17.0 / quiet == pytest.approx(
        1.0 - 0.3 * (1.0 - 8.0 / mean), abs=0.01
    )


def test_a_guard_that_takes_bass_for_dc_opens_on_it(monkeypatch: pytest.MonkeyPatch) -> None:
    made = world(monkeypatch, lambda c: replace(c, relay=replace(c.relay, bass_hz=2.0)))
    play(made, 17.0, 63.0)
    made.advance(2.0)
    assert output(made).std() > 10.0
    play(made, 17.0, 20.0)
    made.advance(2.0)
    assert output(made, 0.1).std() < 0.1


def test_half_waves_of_another_channel_have_its_even_harmonics(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = world(monkeypatch, lambda c: replace(c, rectified=0.02, crosstalk=0.0))
    play(made, 10.0, terminal="generator.2")
    lines = np.abs(np.fft.rfft(output(made, 0.1))) / 5000.0
    second = lines[200]
    assert second == pytest.approx(0.02 * 10.0 * math.sqrt(2.0) * 4.0 / (3.0 * math.pi), rel=0.05)
    assert lines[100] < 0.02 * second


def test_one_feed_that_is_worn_lowers_its_rail_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def worn(unit: AmplifierSpec) -> AmplifierSpec:
        return replace(unit, rails=replace(unit.rails, neg_more_ohm=1.5))

    made = world(monkeypatch, lambda c: c, worn)
    for terminal in ("generator.1", "generator.2"):
        play(made, 17.0, terminal=terminal)
    made.advance(0.5)
    pos, neg = (made.dc_voltage(f"rail.{side}", "ground", made.now, 0.1) for side in ("pos", "neg"))
    assert pos + neg == pytest.approx(1.5 * 1.9, rel=0.15)


def test_a_sound_unit_has_no_changeable() -> None:
    made: Any = World(seed=3)
    assert made._unit._changeable == {}
