"""Every fault at its default severity does to the readings what its description says."""

from __future__ import annotations

import math

import numpy as np
import pytest

import demo_sim
from demo_sim.errors import DemoError

EIGHTH_POWER_V = math.sqrt(5.0 * 8.0) / 10 ** (29 / 20)
OTHER = {"left": "right", "right": "left"}


def idle(world, channel):
    return [
        world.truth.device_current(channel, half, n) for half in ("upper", "lower") for n in (1, 2)
    ]


@pytest.fixture(params=["left", "right"])
def channel(request):
    return request.param


def test_dc_offset_exceeds_fifty_millivolts_on_its_channel_only(bench, channel):
    world = bench(faults=[f"dc_offset@{channel}"])
    assert abs(world.truth.offset(channel)) > 0.05
    assert abs(world.truth.offset(OTHER[channel])) < 0.01


def test_runaway_climbs_until_the_supply_limits_and_devices_fail(bench, channel):
    world = bench(faults=[f"thermal_runaway@{channel}"])
    before = idle(world, channel)[0]
    world.advance(300.0)
    assert idle(world, channel)[0] > 1.5 * before
    for _ in range(400):
        world.advance(5.0)
        if world.supply_state("supply", 1).constant_current:
            break
    assert world.supply_state("supply", 1).constant_current
    assert any("shorted by heat" in text for text in world.truth.damage)


def test_runaway_gain_passes_one_before_the_current_runs(bench):
    world = bench(faults=["thermal_runaway"])
    assert bench().truth.runaway_gain() < 1.0
    crossed = None
    while not world.truth.damage and world.now < 3000.0:
        world.advance(40.0)
        if crossed is None and world.truth.runaway_gain() > 1.0:
            crossed = world.now
    assert crossed is not None
    assert world.truth.damage


def test_an_open_device_carries_nothing_and_its_neighbour_more(bench, channel):
    world = bench(faults=[f"open_device@{channel}"])
    upper = idle(world, channel)[:2]
    assert upper[0] < 1e-6
    assert upper[1] > 1.3 * 0.025


def test_low_bias_starves_the_devices_and_shows_crossover(bench, channel):
    world = bench(faults=[f"bias_low@{channel}"])
    assert max(idle(world, channel)) < 0.3 * 0.025
    assert world.truth.thd(channel, 0.02) > 5.0 * world.truth.thd(OTHER[channel], 0.02)


def test_high_bias_is_hot_at_idle(bench, channel):
    world = bench(faults=[f"bias_high@{channel}"])
    assert min(idle(world, channel)) > 1.6 * 0.025
    assert world.truth.settled_sink_rise() > 1.3 * bench().truth.settled_sink_rise()


def test_a_weak_supply_does_not_reach_rated_power(bench, set_sine):
    world = bench(faults=["weak_supply"])
    assert world.truth.max_power("left") < 36.0
    set_sine(world, 0.6)
    assert world.truth.rail("pos") < 27.0


def test_a_dry_joint_spoils_sharing_when_hot_but_not_when_just_switched_on(
    bench, set_sine, channel
):
    world = bench(faults=[f"dry_thermal_joint@{channel}"], seconds=5.0)
    cold = idle(world, channel)
    assert cold[0] == pytest.approx(cold[1], rel=0.15)
    set_sine(world, EIGHTH_POWER_V)
    world.advance(2400.0)
    set_sine(world, 0.0)
    world.advance(10.0)
    hot = idle(world, channel)
    assert hot[0] > 2.0 * hot[1]
    assert hot[0] - cold[0] > 0.6 * 0.025


def test_noisy_device_bursts_out_of_the_noise(bench, channel):
    world = bench(faults=[f"noisy_device@{channel}"])
    t = world.now + np.arange(25_000) / 50e3
    noisy, quiet = (world.voltage(f"out.{c}", "ground", t) for c in (channel, OTHER[channel]))
    assert np.std(noisy) > 2e-3
    assert np.std(quiet) < 1e-3


def test_noisy_device_bursts_more_when_warm(bench, set_sine):
    def loud(world):
        t = world.now + np.arange(200_000) / 50e3
        return np.mean(np.abs(world.voltage("out.left", "ground", t)) > 5e-3)

    world = bench(faults=["noisy_device@left=0.2"])
    cold = loud(world)
    set_sine(world, EIGHTH_POWER_V)
    world.advance(2400.0)
    set_sine(world, 0.0)
    world.advance(1.0)
    assert loud(world) > 1.5 * cold


def test_hum_stands_at_twice_the_line_frequency(bench):
    world = bench(faults=["hum@left"])
    t = world.now + np.arange(10_000) / 10e3  # 1 s: bins of 1 Hz
    size = np.abs(np.fft.rfft(world.voltage("out.left", "ground", t)))
    assert int(np.argmax(size[10:])) + 10 == 100


def test_a_stuck_relay_leaves_the_output_dead_while_the_stage_works(bench):
    world = bench(faults=["stuck_relay@left"], seconds=60.0)
    assert not world.truth.relay_closed("left")
    assert world.truth.relay_closed("right")
    assert idle(world, "left")[0] > 0.02


def test_a_resistive_relay_loses_power_in_its_contact(bench):
    world = bench(faults=["resistive_relay@left"])
    lossy, good = world.truth.gain("left"), world.truth.gain("right")
    assert lossy / good == pytest.approx(8.0 / 10.0, rel=0.03)


def test_loss_of_gain_is_twenty_decibels_per_severity(bench):
    healthy, faulty = bench(), bench(faults=["loss_of_gain@left=0.3"])
    ratio = healthy.truth.gain("left") / faulty.truth.gain("left")
    assert 20.0 * math.log10(ratio) == pytest.approx(6.0, abs=0.01)


def test_loss_of_treble_leaves_the_middle_alone(bench):
    healthy, faulty = bench(), bench(faults=["loss_of_treble@left"])
    at_1k = faulty.truth.gain("left", 1e3) / healthy.truth.gain("left", 1e3)
    at_20k = faulty.truth.gain("left", 20e3) / healthy.truth.gain("left", 20e3)
    assert at_1k > 0.98
    assert at_20k < 0.7


def test_a_shorted_device_takes_the_supply_to_its_limit_at_once(bench):
    world = bench(faults=["shorted_device@left"], seconds=0.1, limit_a=0.5)
    state = world.supply_state("supply", 1)
    assert state.constant_current
    assert state.amps == pytest.approx(0.5)
    assert state.volts < 3.0


def test_half_a_bridge_gives_a_quarter_of_the_power(bench):
    unit = {"topology": "bridged", "channels": ["left"]}
    whole, half = (bench(unit, faults, limit_a=20.0) for faults in ([], ["dead_half_bridge@left"]))
    assert half.truth.max_power("left") / whole.truth.max_power("left") == pytest.approx(
        0.25, rel=0.1
    )


def test_swapped_meter_leads_turn_the_sign(bench):
    world = bench(faults=["swapped_leads"])
    world.connect("meter.hi", "rail.pos")
    world.connect("meter.lo", "ground")
    seen = world.dc_voltage(world.node_of("meter.hi"), world.node_of("meter.lo"), world.now, 0.2)
    assert seen == pytest.approx(-30.0, abs=0.1)


def test_a_fallen_sensor_follows_the_air(bench):
    healthy, fallen = bench(seconds=1800.0), bench(faults=["sensor_off"], seconds=1800.0)
    ends = ("sensor.sink.hot", "sensor.sink.cold")
    warm = healthy.resistance(*ends)
    ambient = healthy.resistance("sensor.ambient.hot", "sensor.ambient.cold")
    assert fallen.resistance(*ends) - ambient < 0.6 * (warm - ambient)


def test_a_missing_load_takes_no_current(bench, set_sine):
    world = bench(faults=["load_missing@left"])
    set_sine(world, 0.6)
    one = world.supply_state("supply", 1).amps
    assert one < 0.6 * _driven(bench())


def test_a_wrong_load_takes_more_current(bench, set_sine):
    world = bench(faults=["load_wrong@left"])
    set_sine(world, 0.3)
    healthy = bench()
    set_sine(healthy, 0.3)
    assert world.supply_state("supply", 1).amps > 1.3 * healthy.supply_state("supply", 1).amps


def _driven(world):
    with world.truth.driven(0.6):
        return world.supply_state("supply", 1).amps


def test_a_one_to_one_probe_is_what_the_scope_really_has(bench):
    world = bench(faults=["probe_factor@right"])
    assert world.probe_fitted("scope.2", 10.0) == 1.0
    assert world.probe_fitted("scope.1", 10.0) == 10.0


def test_no_severity_is_no_fault(cold_bench):
    healthy = cold_bench()._bench
    for info in demo_sim.fault_catalogue():
        assert cold_bench(faults=[f"{info.name}=0"])._bench == healthy


def test_every_entry_of_the_catalogue_changes_the_bench(cold_bench):
    bridge = {"topology": "parallel_bridged", "paralleled": 2, "output_ballast": 0.1}
    coupled = {"rails": "single", "rail_voltage": 60.0}
    of_coupled = ("dried_output_capacitor", "leaky_output_capacitor", "midpoint_off")
    for info in demo_sim.fault_catalogue():
        unit = coupled if info.name in of_coupled else bridge
        healthy = cold_bench(unit)._bench
        channel = "@right" if info.channels else ""
        assert cold_bench(unit, [f"{info.name}{channel}"])._bench != healthy


def test_faults_combine(bench):
    world = bench(faults=["dc_offset@left", "bias_high@right", "hum@left"])
    assert abs(world.truth.offset("left")) > 0.05
    assert idle(world, "right")[0] > 0.04


def test_the_catalogue_covers_faults_and_mistakes_with_their_physics():
    catalogue = demo_sim.fault_catalogue()
    assert {info.kind for info in catalogue} == {"fault", "mistake"}
    assert all(info.summary and len(info.physics) > 40 for info in catalogue)
    assert all(0.0 < info.default_severity <= 1.0 for info in catalogue)


def test_a_fault_request_is_read_with_channel_and_severity():
    request = demo_sim.parse_fault("dc_offset@left=0.6")
    assert (request.name, request.channel, request.severity) == ("dc_offset", "left", 0.6)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("dc_ofset", "dc_offset"),
        ("runaway", "thermal_runaway"),
        ("hum=2", "0 to 1"),
        ("hum=loud", "0 to 1"),
        ("weak_supply@left", "does not belong to a channel"),
        ("", "NAME"),
    ],
)
def test_a_request_that_cannot_be_read_is_told_what_would_do(text, told):
    with pytest.raises(DemoError, match=told):
        demo_sim.parse_fault(text)


def test_a_channel_that_the_unit_lacks_is_refused(bench):
    with pytest.raises(DemoError, match="left, right"):
        bench(faults=["hum@middle"])
