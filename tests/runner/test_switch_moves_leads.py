"""A bench with a relay matrix: the meter's leads move without hands, the loads' do not."""

from __future__ import annotations

import demo_sim
from seqrun.files.bench.load import bench_from_text
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.switch import DrivenSwitch
from seqrun.plan.needs import Hookup
from seqrun.runner.hands import Operator
from seqrun.runner.opening import BenchFiles, VirtualHands, _view, open_bench
from seqrun.runner.switching import SwitchHands


def test_relays_move_the_meter_and_hands_the_load() -> None:
    sheet = load_unit("demo-2x40")
    demo = demo_sim.open_bench(sheet.plain(), with_switch=True)
    file = bench_from_text(demo.bench_toml(), "demo bench")
    opened = open_bench(BenchFiles(_view(file, sheet), demo), lambda *_: None)
    try:
        switch = opened.instruments["switch"]
        assert isinstance(switch, DrivenSwitch)
        assert opened.control is not None
        hands = SwitchHands(switch, VirtualHands(opened.control))
        hands.connect(opened.view.meter_across("rail.pos"), live=True)
        assert hands.by == "switch"
        assert demo.world.node_of("meter.hi") == "rail.pos"
        hands.connect(opened.view.meter_across("out.left"), live=True)
        assert demo.world.node_of("meter.hi") == "out.left"
        load_off = Hookup((("load.left.1", "out.right"),), "load left onto out.right")
        hands.connect(load_off, live=False)
        assert hands.by == "virtual hands"
        assert demo.world.node_of("load.left.1") == "out.right"
        hands.disconnect("meter.hi", "red lead off", live=True)
        assert hands.by == "switch"
        assert demo.world.node_of("meter.hi") is None
    finally:
        opened.close()


def test_what_the_relays_reach_is_not_asked_of_the_operator() -> None:
    sheet = load_unit("demo-2x40")
    demo = demo_sim.open_bench(sheet.plain(), with_switch=True)
    file = bench_from_text(demo.bench_toml(), "demo bench")
    opened = open_bench(BenchFiles(_view(file, sheet), demo), lambda *_: None)
    asked: list[str] = []
    try:
        switch = opened.instruments["switch"]
        assert isinstance(switch, DrivenSwitch)
        hands = SwitchHands(switch, Operator(lambda _: "", asked.append))
        hands.connect(opened.view.meter_four_wire("sensor.sink"), live=False)
        assert asked == []
        hands.turn("volume", "min", live=False, words="fully anticlockwise")
        assert len(asked) == 1
        assert "fully anticlockwise" in asked[0]
    finally:
        opened.close()
