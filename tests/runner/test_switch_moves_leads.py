"""A bench with a relay matrix: the meter's leads move without hands, the loads' do not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import demo_sim
from seqrun.errors import UsageError
from seqrun.files.bench.load import bench_from_text
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.link import Link
from seqrun.instruments.switch import DrivenSwitch
from seqrun.plan.needs import Hookup
from seqrun.runner.events import Watcher
from seqrun.runner.hands import Operator
from seqrun.runner.opening import BenchFiles, VirtualHands, _view, open_bench
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.runner.switching import SwitchHands
from seqrun.values import Disposition


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


class Noting(VirtualHands):
    """Notes where a terminal was when hands were asked to move it."""

    def __init__(self, control: Link, demo: demo_sim.Bench) -> None:
        super().__init__(control)
        self.demo = demo
        self.found: list[tuple[str, str | None]] = []

    def connect(self, hookup: Hookup, live: bool) -> None:
        self.found += [
            (terminal, self.demo.world.node_of(terminal)) for terminal, _ in hookup.leads
        ]
        super().connect(hookup, live)


def test_relays_let_go_of_a_lead_before_hands_put_it_where_they_do_not_reach(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Else the meter would join two places, by relay and by hand."""
    beyond, reaches = "ballast.left.upper.1.hot", DrivenSwitch.connect

    def wired_in_part(self: DrivenSwitch, terminal: str, node: str) -> None:
        if node == beyond:
            raise UsageError("this matrix is not wired for it")
        reaches(self, terminal, node)

    monkeypatch.setattr(DrivenSwitch, "connect", wired_in_part)
    sheet = load_unit("demo-2x40")
    demo = demo_sim.open_bench(sheet.plain(), with_switch=True)
    opened = open_bench(
        BenchFiles(_view(bench_from_text(demo.bench_toml(), "demo bench"), sheet), demo),
        lambda *_: None,
    )
    try:
        switch = opened.instruments["switch"]
        assert isinstance(switch, DrivenSwitch) and opened.control is not None
        by_hand = Noting(opened.control, demo)
        hands = SwitchHands(switch, by_hand)
        hands.connect(opened.view.meter_across("rail.pos"), live=False)
        assert demo.world.node_of("meter.hi") == "rail.pos"
        hands.connect(Hookup((("meter.hi", beyond),), "red lead by hand"), live=False)
        assert by_hand.found == [("meter.hi", None)]
        assert demo.world.node_of("meter.hi") == beyond
    finally:
        opened.close()


class Moves(Watcher):
    """Who made each hookup."""

    def __init__(self) -> None:
        self.by: dict[str, str] = {}

    def hookup(self, words: str, live: bool, by: str) -> None:
        self.by[words] = by


def test_in_a_run_the_bench_s_switch_moves_what_it_reaches(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    made = {}
    for bench in ("demo", "demo:switch"):
        plan, files = prepare(short_sequence(), bench, None)
        moves = Moves()
        options = Options("T-1", "", tmp_path / bench.replace(":", "-"))
        outcome = execute(plan, files, None, moves, options, Interrupts())
        assert outcome.disposition is Disposition.ACCEPT, outcome.reason
        made[bench] = {by for words, by in moves.by.items() if words.startswith("meter")}
    assert made == {"demo": {"virtual hands"}, "demo:switch": {"switch"}}
