"""The dirty bench and the wide population: all dirt is there, and a clean bench has none."""

from __future__ import annotations

import math
import statistics

import numpy as np
import pytest

import demo_sim
from demo_sim.amplifier.spec import SIDES
from demo_sim.dirt import Dirt
from demo_sim.world import World

EIGHTH_POWER_V = math.sqrt(5.0 * 8.0) / 10 ** (29 / 20)


def ask(bench, key, message):
    return bench.devices[key].execute(message).decode("latin-1").strip()


def powered(seed=1, *variants):
    bench = demo_sim.open_bench(seed=seed, variants=variants)
    ask(bench, "supply", "VOLT 30;CURR 5;:INST:NSEL 2;:VOLT 30;CURR 5;:OUTP ON")
    ask(bench, "control", "CLOC:WAIT 10")
    return bench


def shorted(bench):
    """Mean of some readings with both leads on one node, V."""
    ask(bench, "control", 'HAND:CONN "meter.hi","ground";CONN "meter.lo","ground"')
    text = ask(bench, "meter", "CONF:VOLT:DC 0.25;:VOLT:NPLC 10;:TRIG:COUN 20;:READ?")
    return statistics.fmean(map(float, text.split(",")))


def test_a_clean_bench_has_no_dirt():
    assert Dirt() == World()._dirt
    assert Dirt().lead("meter.hi", "ground").emf_v == 0.0


def test_leads_bring_thermal_emf_and_every_bench_another():
    far = [shorted(demo_sim.open_bench(seed=s, variants=["dirty"])) for s in range(12)]
    near = [shorted(demo_sim.open_bench(seed=s)) for s in range(12)]
    differences = [abs(a - b) for a, b in zip(far, near, strict=True)]
    assert all(difference > 0.0 for difference in differences)
    assert max(differences) < 60e-6
    assert statistics.median(differences) > 0.3e-6


def test_two_wire_ohms_see_the_contacts_and_four_wire_ohms_do_not():
    contacts = {}
    for kind in ("FRES", "RES"):
        ohms = []
        for variants in ([], ["dirty"]):
            bench = demo_sim.open_bench(variants=variants)
            for lead, end in (("hi", 1), ("lo", 2), ("sense_hi", 1), ("sense_lo", 2)):
                node = bench.world.node_of(f"load.left.{end}")
                ask(bench, "control", f'HAND:CONN "meter.{lead}","{node}"')
            ohms.append(float(ask(bench, "meter", f"CONF:{kind} 25;:READ?")))
        contacts[kind] = ohms[1] - ohms[0]
    true = bench.world.lead_ohm("meter.hi") + bench.world.lead_ohm("meter.lo")
    assert true > 0.015
    # Thermal EMF of some microvolts over a milliampere stays in both.
    assert contacts["RES"] == pytest.approx(true, abs=8e-3)
    assert contacts["FRES"] == pytest.approx(0.0, abs=8e-3)


def test_a_load_warms_by_a_per_cent_or_two_at_power():
    bench = powered(1, "dirty")
    cold = bench.truth.load_ohm("left")
    ask(bench, "generator", "SOUR1:FREQ 1000;VOLT 0.6;:OUTP1 ON")
    ask(bench, "control", "CLOC:WAIT 300")
    warm = bench.truth.load_ohm("left") / cold - 1.0
    assert 2e-3 < warm < 0.08
    assert bench.truth.load_ohm("right") == pytest.approx(bench.truth.load_ohm("right"), rel=1e-9)
    ask(bench, "generator", "OUTP1 OFF")
    ask(bench, "control", "CLOC:WAIT 1200")
    assert bench.truth.load_ohm("left") == pytest.approx(cold, rel=1e-3)


def test_convection_makes_a_hot_sink_shed_more_than_its_rise():
    def settled(world, volts):
        with world.truth.driven(volts):
            return world.truth.dissipation(), world.truth.settled_sink_rise()

    bench = powered(1, "dirty")
    (_, low), (_, high) = (settled(bench.world, v) for v in (0.0, EIGHTH_POWER_V))
    clean = powered(1)
    (_, low_clean), (_, high_clean) = (settled(clean.world, v) for v in (0.0, EIGHTH_POWER_V))
    assert low / low_clean > high / high_clean


def test_heat_has_a_second_slower_way():
    bench = powered(1, "dirty")
    network = bench.world._unit.heat.network
    rates = np.linalg.eigvals(network.conductance / network.capacity[:, None])
    slowest = np.sort(1.0 / rates.real)[-2:]
    assert slowest[1] > 1.5 * slowest[0] > 300.0


def test_mains_are_not_exactly_fifty_hertz():
    assert len({Dirt.drawn(seed).line_hz for seed in range(20)}) == 20
    assert all(49.0 < Dirt.drawn(seed).line_hz < 51.0 for seed in range(200))


def test_a_probes_own_noise_is_that_of_its_capacitance():
    spread = {}
    for variants in ((), ("dirty",)):
        bench = demo_sim.open_bench(variants=variants)
        ask(bench, "scope", "INP1:PROB 10;:VOLT1:RANG:PTP 0.1;:SWE:TINT 1E-6;POIN 20000;OVER ON")
        ask(bench, "control", 'HAND:CONN "scope.1","ground"')
        ask(bench, "scope", "INIT;*OPC?")
        volts = np.array(ask(bench, "scope", "TRAC? CH1").split(","), float)
        spread[variants] = float(np.std(np.diff(volts))) / math.sqrt(2.0)
    assert spread["dirty",] == pytest.approx(56e-6, rel=0.4)
    assert spread[()] < 0.3 * spread["dirty",]


def test_healthy_units_of_the_wide_kind_are_no_clones():
    def worth(**options):
        worlds = [World(seed=seed, **options) for seed in range(24)]
        lefts = [world._bench.amplifier.channels[0] for world in worlds]
        return {
            "hum": [c.noise.hum_v for c in lefts],
            "noise": [c.noise.white_v_rt_hz for c in lefts],
            "contact": [c.relay.contact_ohm for c in lefts],
            "treble": [c.legs[0].pole_hz for c in lefts],
            "joint": [c.legs[0].upper[0].joint_k_per_w for c in lefts],
        }

    clones, wide = worth(), worth(wide_parts=True)
    for name in clones:
        assert len(set(clones[name])) == 1
        assert statistics.stdev(wide[name]) > 0.1 * statistics.fmean(wide[name])


def test_an_offset_of_the_wide_kind_moves_with_the_heat():
    bench = powered(3, "wide")
    before = bench.truth.offset("left")
    ask(bench, "control", "CLOC:WAIT 3000")
    assert abs(bench.truth.offset("left") - before) > 2e-6
    clean = powered(3)
    before = clean.truth.offset("left")
    ask(clean, "control", "CLOC:WAIT 3000")
    assert clean.truth.offset("left") == pytest.approx(before, abs=1e-6)


def test_stages_in_parallel_of_a_wide_unit_have_one_band_and_the_terminals_their_own():
    """Otherwise they would drive each other at the end of it, and trip a supply on a good unit."""
    unit = {
        "topology": "parallel_bridged", "rails": "single", "rail_voltage": 24.0,
        "rated_power": 25.0, "paralleled": 2, "output_ballast": 0.1,
    }  # fmt: skip
    apart, between = [], []
    for seed in range(8):
        spec = World(unit, seed=seed, wide_parts=True)._bench.amplifier
        for channel in spec.channels:
            poles = {side: [x.pole_hz for x in channel.legs if x.side == side] for side in SIDES}
            apart += [max(of) / min(of) - 1.0 for of in poles.values()]
            between.append(poles["pos"][0] / poles["neg"][0] - 1.0)
    assert max(apart) < 0.06
    assert statistics.stdev(between) > 0.1
