"""Power stages in parallel at a speaker terminal: sources behind ballasts (Millman's theorem)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from demo_sim.amplifier.building import build
from demo_sim.errors import DemoError
from demo_sim.wiring import join

UNIT = {
    "topology": "parallel_bridged",
    "paralleled": 2,
    "output_ballast": 0.1,
    "rails": "single",
    "rail_voltage": 24.0,
    "rated_power": 25.0,
    "gain_db": 26.0,
    "output_devices": None,
    "ballast": None,
    "idle_current": None,
}
SIDES = ("pos", "neg")


@pytest.fixture
def stages(bench):
    """A powered unit with two stages at each terminal."""
    return lambda *faults, **unit: bench({**UNIT, **unit}, faults, volts=24.0, limit_a=10.0)


def drops(world, side, channel="left", numbers=(1, 2)):
    """DC and AC volts across the output ballasts of a terminal."""
    t = world.now + np.arange(20_000) / 1e6  # whole cycles of 1 kHz
    found = []
    for n in numbers:
        name = f"output_ballast.{channel}.{side}.{n}"
        volts = world.voltage(f"{name}.hot", f"{name}.cold", t)
        found.append((float(volts.mean()), float(volts.std())))
    return found


def driven(world, set_sine, volts=0.25):
    set_sine(world, volts)
    world.advance(0.2)
    return world


def load_rms(world, channel="left"):
    t = world.now + np.arange(20_000) / 1e6
    volts = world.voltage(f"out.{channel}.pos", f"out.{channel}.neg", t)
    return float(volts.std()) / world.truth.load_ohm(channel)


def test_the_currents_of_the_stages_add_up_to_the_loads(stages, set_sine):
    world = driven(stages(), set_sine)
    for side in SIDES:
        amps = [
            ac / world.truth.output_ballast("left", side, n)
            for n, (_, ac) in enumerate(drops(world, side), 1)
        ]
        assert sum(amps) == pytest.approx(load_rms(world), rel=2e-3)
        assert amps[0] / amps[1] == pytest.approx(1.0, abs=0.25)


def test_what_the_ballasts_tell_is_what_the_stages_give(stages, set_sine):
    world = driven(stages(), set_sine)
    for n, (mean, rms) in enumerate(drops(world, "pos"), 1):
        ohms = world.truth.output_ballast("left", "pos", n)
        dc, ac = world.truth.stage_current("left", "pos", n)
        assert rms / ohms == pytest.approx(ac, rel=5e-3)
        assert mean / ohms == pytest.approx(dc, abs=2e-3)


def test_offsets_of_the_stages_circulate_through_both_ballasts(stages):
    world = stages()
    one, other = world._bench.amplifier.channel("left").legs[:2]
    expected = (one.offset_v - other.offset_v) / (one.output_ohm + other.output_ohm)
    (first, _), (second, _) = drops(world, "pos")
    load_a = world.truth.offset("left") / world.truth.load_ohm("left")
    assert first / one.output_ohm == pytest.approx(expected, abs=abs(load_a) + 1e-4)
    assert first / one.output_ohm + second / other.output_ohm == pytest.approx(load_a, abs=1e-4)


@pytest.mark.parametrize(("count", "ohm"), [(2, 0.1), (4, 0.22)])
def test_the_source_impedance_is_the_ballasts_side_by_side_and_the_contacts(stages, count, ohm):
    world = stages(paralleled=count, output_ballast=ohm)
    channel = world._bench.amplifier.channel("left")
    expected = 2.0 * channel.relay.contact_ohm + sum(
        1.0 / sum(1.0 / leg.output_ohm for leg in channel.legs if leg.side == side)
        for side in SIDES
    )
    loaded = world.truth.gain("left")
    world.disconnect("load.left.1")
    open_ = world.truth.gain("left")
    found = (open_ / loaded - 1.0) * world.truth.load_ohm("left")
    assert found == pytest.approx(expected, rel=1e-3)
    assert found == pytest.approx(2.0 * ohm / count + 0.03, rel=0.06)


def test_an_open_stage_leaves_its_share_to_the_other(stages, set_sine):
    world = driven(stages("open_stage@left"), set_sine)
    (_, gone), (_, both) = drops(world, "pos")
    assert gone < 1e-5
    ohms = world.truth.output_ballast("left", "pos", 2)
    assert both / ohms == pytest.approx(load_rms(world), rel=2e-3)
    even = driven(stages(), set_sine)
    assert drops(world, "neg")[0][1] == pytest.approx(drops(even, "neg")[0][1], rel=0.02)


def test_a_stage_behind_a_worse_joint_gives_less(stages, set_sine):
    parts = []
    for severity in (0.0, 0.1, 0.3, 0.6):
        world = driven(stages(f"open_stage@left={severity}"), set_sine)
        parts.append(drops(world, "pos")[0][1])
    assert parts == sorted(parts, reverse=True)
    # 0.9 Ω more beside 0.1 Ω: a stage of 1 Ω beside one of 0.1 Ω gets about an eleventh
    assert parts[2] / (parts[2] + drops(stages(), "pos")[0][1] + load_rms(world) * 0.1) < 0.12


def test_a_stage_without_its_upper_device_gives_no_positive_half_wave(stages, set_sine):
    world = driven(stages("open_device@left"), set_sine)
    (mean, rms), (other_mean, other) = drops(world, "pos")
    # A half sine of a: mean a/π, rms about it a·√(1/4 − 1/π²); the other carries all of one half.
    peak = load_rms(world) * math.sqrt(2.0)
    ohms = [world.truth.output_ballast("left", "pos", n) for n in (1, 2)]
    assert mean / ohms[0] == pytest.approx(-0.5 * peak / math.pi, rel=0.08)
    assert other_mean / ohms[1] == pytest.approx(0.5 * peak / math.pi, rel=0.08)
    assert rms / ohms[0] == pytest.approx(0.5 * peak * math.sqrt(0.25 - math.pi**-2), rel=0.1)
    assert other / ohms[1] > 2.0 * rms / ohms[0]


def test_its_even_harmonics_are_heard(stages):
    assert stages("open_device@left").truth.thd("left", 0.25) > 1e-3
    assert stages().truth.thd("left", 0.25) < 5e-4


def test_one_device_without_a_partner_gives_no_positive_half_wave_either(bench, set_sine):
    world = bench({"output_devices": 1}, ["open_device@left"])
    set_sine(world, 0.1)
    world.advance(0.05)  # before its speaker protection lets go
    _, table = world.truth.output("left")
    assert table.max() < 0.05 * -table.min()


def test_what_was_drawn_before_stays_as_it_was():
    alone, two = (build({**UNIT, "paralleled": n}, np.random.default_rng(3)) for n in (1, 2))
    assert (alone.heat, alone.rails) == (two.heat, two.rails)
    for one, other in zip(alone.channels, two.channels, strict=True):
        assert one.relay == other.relay
        for side in SIDES:
            (leg,) = (leg for leg in one.legs if leg.side == side)
            parts = [leg for leg in other.legs if leg.side == side]
            assert [d for p in parts for d in p.upper] == list(leg.upper)
            assert [d for p in parts for d in p.lower] == list(leg.lower)
            assert {p.bias_shift_v for p in parts} == {leg.bias_shift_v}


def test_stages_that_all_lost_their_joints_drive_nothing(stages):
    world = stages()

    def lost(leg):
        return replace(leg, joint_ohm=math.inf) if leg.side == "pos" else leg

    spec = world._bench.amplifier.with_legs("left", lost)
    joined = join(spec, world._hookup, world.loads(), [True, True])
    assert np.array_equal(joined.outputs[0], joined.outputs[1])  # the load takes it along
    assert not joined.admittance[:2].any()
    assert np.allclose(joined.admittance[2:4].sum(axis=0), 0.0)  # they circulate, no more
    assert joined.admittance[4:].any()


def test_output_ballasts_have_nodes_where_the_sheet_lets_them_be_reached(stages):
    names = [node for node in stages().nodes() if node.startswith("output_ballast.")]
    assert len(names) == 2 * 2 * 2 * 2
    hidden = stages(output_ballast=None)
    assert not any(node.startswith("output_ballast.") for node in hidden.nodes())
    assert hidden.truth.output_ballast("left", "pos", 1) == pytest.approx(0.1, rel=0.06)


def test_the_ohms_of_an_output_ballast_are_those_of_its_own(bench):
    world = bench(UNIT, volts=0.0, seconds=0.0)
    name = "output_ballast.right.neg.2"
    ohms = world.resistance(f"{name}.hot", f"{name}.cold")
    assert ohms == pytest.approx(world.truth.output_ballast("right", "neg", 2))


@pytest.mark.parametrize("count", [0, 9, 1.5, True])
def test_a_number_of_stages_that_cannot_be_is_refused(cold_bench, count):
    with pytest.raises(DemoError, match="paralleled"):
        cold_bench({**UNIT, "paralleled": count})


def test_a_stage_alone_cannot_be_the_open_one_of_two(cold_bench):
    with pytest.raises(DemoError, match="in parallel"):
        cold_bench(faults=["open_stage@left"])
