"""Wrong wiring gives the wrong reading that it would give on a bench."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_sim.errors import DemoError
from demo_sim.ports import Drive, OutputSetting, Tone
from demo_sim.world import World


def dc(world, hi, lo="ground"):
    return world.dc_voltage(hi, lo, world.now, 0.2)


def test_rails_read_with_their_signs(bench):
    world = bench()
    assert dc(world, "rail.pos") == pytest.approx(30.0, abs=0.02)
    assert dc(world, "rail.neg") == pytest.approx(-30.0, abs=0.02)


def test_every_ballast_reads_positive_from_hot_to_cold(bench):
    world = bench()
    for channel in ("left", "right"):
        for half in ("upper", "lower"):
            for n in (1, 2):
                name = f"ballast.{channel}.{half}.{n}"
                across = dc(world, f"{name}.hot", f"{name}.cold")
                amps = world.truth.device_current(channel, half, n)
                assert across == pytest.approx(
                    amps * world.truth.ballast(channel, half, n), rel=0.02
                )


def test_a_reversed_reading_is_the_negative_of_the_right_one(bench):
    world = bench()
    assert dc(world, "ground", "rail.pos") == pytest.approx(-dc(world, "rail.pos"), abs=1e-4)


def test_a_lead_in_the_air_sees_only_stray_hum(bench):
    world = bench()
    t = world.now + np.arange(2000) / 10e3
    seen = world.voltage(None, "ground", t)
    assert 1e-3 < np.abs(seen).max() < 0.1
    assert abs(seen.mean()) < 1e-3


def test_both_leads_on_one_node_read_nothing(bench):
    assert dc(bench(), "rail.pos", "rail.pos") == 0.0


def test_reversed_supply_leads_meet_the_protection_diode(cold_bench):
    world = cold_bench()
    world.connect("supply.1.pos", "ground")
    world.connect("supply.1.neg", "rail.pos")
    world.set_supply("supply", 1, OutputSetting(5.0, 0.3, True))
    world.advance(1.0)
    state = world.supply_state("supply", 1)
    assert state.constant_current
    assert state.amps == pytest.approx(0.3)
    assert state.volts < 1.0


def test_a_shorted_supply_output_gives_its_limit_and_no_volts(cold_bench):
    world = cold_bench()
    world.connect("supply.1.neg", "rail.pos")
    world.set_supply("supply", 1, OutputSetting(5.0, 0.3, True))
    assert world.supply_state("supply", 1).amps == pytest.approx(0.3)
    assert world.supply_state("supply", 1).volts == 0.0


def test_a_supply_lead_off_leaves_its_rail_dead_and_the_relay_open(cold_bench, set_supply):
    world = cold_bench()
    world.disconnect("supply.2.neg")
    set_supply(world, 30.0)
    world.advance(10.0)
    assert dc(world, "rail.neg") == pytest.approx(0.0, abs=1e-3)
    assert not world.truth.relay_closed("left")
    assert world.supply_state("supply", 2).volts == pytest.approx(30.0)


def test_one_output_across_both_rails_feeds_both(cold_bench):
    world = cold_bench()
    world.connect("supply.1.neg", "rail.neg")
    world.disconnect("supply.2.neg")
    world.set_supply("supply", 1, OutputSetting(60.0, 3.0, True))
    world.advance(10.0)
    assert dc(world, "rail.pos") == pytest.approx(30.0, abs=0.05)
    assert world.supply_state("supply", 1).volts == pytest.approx(60.0, abs=0.05)


def test_a_scope_clip_on_a_live_bridged_terminal_is_a_short(bench):
    world = bench({"topology": "bridged", "channels": ["left"]})
    world.connect("scope.1.clip", "out.left.neg")
    world.set_drive("generator.1", Drive((Tone(1000.0, 0.5),)))
    world.advance(0.05)
    assert world.truth.damage
    t = world.now + np.arange(1000) / 1e6
    live, shorted = (
        np.abs(world.voltage(f"out.left.{side}", "ground", t)).max() for side in ("pos", "neg")
    )
    assert shorted < 0.5 * live


def test_generators_swapped_between_channels_drive_the_other_channel(bench):
    world = bench()
    world.connect("generator.1", "in.right")
    world.disconnect("generator.2")
    world.set_drive("generator.1", Drive((Tone(1000.0, 0.3),)))
    t = world.now + np.arange(1000) / 1e5
    left, right = (np.std(world.voltage(f"out.{c}", "ground", t)) for c in ("left", "right"))
    assert left < 0.01 < 1.0 < right


def test_a_load_between_two_channels_sees_their_difference(bench, set_sine):
    """Both driven alike: no signal across it, and no signal current."""
    world = bench()
    world.connect("load.left.2", "out.right")
    world.disconnect("load.right.1")
    set_sine(world, 0.3)
    assert world.supply_state("supply", 1).amps < 0.2


def test_an_ammeter_in_series_with_a_rail_reads_its_current(cold_bench, set_supply):
    world = cold_bench()
    world.connect("supply.1.pos", "link.rail.pos")
    world.connect("meter.amps", "link.rail.pos")
    world.connect("meter.lo", "rail.pos")
    set_supply(world, 30.0)
    world.advance(10.0)
    amps = world.current_through("meter.amps", "meter.lo")
    assert amps == pytest.approx(world.supply_state("supply", 1).amps)
    assert amps > 0.1


def test_without_the_ammeter_the_open_link_feeds_nothing(cold_bench, set_supply):
    world = cold_bench()
    world.connect("supply.1.pos", "link.rail.pos")
    set_supply(world, 30.0)
    world.advance(1.0)
    assert dc(world, "rail.pos") == pytest.approx(0.0, abs=1e-3)


def test_resistance_of_sensor_load_and_ballast(cold_bench):
    world = cold_bench()
    assert world.resistance("sensor.sink.hot", "sensor.sink.cold") == pytest.approx(109.0, abs=1.0)
    assert world.resistance("out.left", "ground") == pytest.approx(world.truth.load_ohm("left"))
    ends = [f"ballast.left.upper.1.{end}" for end in ("hot", "cold")]
    assert world.resistance(*ends) == pytest.approx(0.22, rel=0.02)
    assert math.isinf(world.resistance("out.left", "rail.pos"))
    assert world.resistance("out.left", "out.left") == 0.0


@pytest.mark.parametrize("terminal", ["meter.high", "supply.one.pos", "", "load.left.3"])
def test_an_unknown_terminal_is_refused(cold_bench, terminal):
    with pytest.raises(DemoError, match="no such terminal"):
        cold_bench().connect(terminal, "ground")


def test_an_unknown_node_is_refused_with_the_nearest(cold_bench):
    with pytest.raises(DemoError, match=r"nearest: out\.left"):
        cold_bench().connect("meter.hi", "out.lef")


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_hookup_gives_finite_readings(data):
    """Leads anywhere, supply and generator at anything: numbers, no crash."""
    world = World()
    nodes = world.nodes()
    terminals = ["supply.1.pos", "supply.1.neg", "supply.2.pos", "supply.2.neg", "generator.1"]
    terminals += ["load.left.1", "load.left.2", "scope.1.clip", "meter.hi", "meter.lo"]
    for terminal in terminals:
        node = data.draw(st.one_of(st.none(), st.sampled_from(nodes)))
        if node is not None:
            world.connect(terminal, node)
    for output in (1, 2):
        world.set_supply(
            "supply",
            output,
            OutputSetting(data.draw(st.floats(0, 40)), data.draw(st.floats(0, 5)), True),
        )
    world.set_drive("generator.1", Drive((Tone(1000.0, data.draw(st.floats(0, 7))),)))
    world.advance(data.draw(st.floats(0.0, 20.0)))
    for output in (1, 2):
        state = world.supply_state("supply", output)
        assert all(math.isfinite(x) for x in (state.volts, state.amps))
    hi, lo = (data.draw(st.sampled_from(nodes)) for _ in range(2))
    assert math.isfinite(world.dc_voltage(hi, lo, world.now, 0.02))
    assert np.isfinite(world.voltage(hi, lo, world.now + np.arange(200) / 1e5)).all()
