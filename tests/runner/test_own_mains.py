"""A unit on its own mains plug: nothing can switch it off, and nobody is told that it is off."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from seqrun.errors import Interrupted, UsageError
from seqrun.runner.events import Watcher
from seqrun.runner.opening import BenchFiles, VirtualHands
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Verdict

HEAD = """
title = "On its own mains"
revision = "A"
decision = "guarded"
"""
MAIN = """
[[step]]
id = "bench_off"
do = "power_down"
[[step]]
id = "main"
do = "own_supply"
limit = { between = ["0.9 * rail_voltage", "1.1 * rail_voltage"] }
[[step]]
id = "main.rail"
do = "dc_voltage"
at = "rail.pos"
expect = "30 V"
"""
OUT = '[[step]]\nid = "main_off"\ndo = "own_supply_off"\n'
DOWN = '[[step]]\nid = "discharge"\ndo = "power_down"\nlimit = { at_most = "2 V" }\n'


@dataclass
class AtStep(Watcher):
    """Does something when a step begins."""

    step: str = ""
    act: Callable[[], object] = lambda: None

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if step_id == self.step:
            self.act()


def run(
    tmp_path: Path, steps: str, watcher: Watcher, unit: str = "demo-receiver"
) -> tuple[Outcome, BenchFiles]:
    path = tmp_path / "own.toml"
    path.write_text(HEAD + steps, encoding="utf-8")
    plan, files = prepare(str(path), "demo", unit)
    options = Options("T-1", "", tmp_path / "r")
    return execute(plan, files, None, watcher, options, Interrupts()), files


def test_the_rails_are_those_of_the_units_own_supply_until_the_plug_is_out(tmp_path: Path) -> None:
    outcome, files = run(tmp_path, MAIN + OUT + DOWN, AtStep())
    assert files.demo.world.node_of("supply.1.pos") is None
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    rails = [j.reading.value for j in outcome.judged if j.reading.quantity == "own_rail_voltage"]
    assert rails == pytest.approx([27.0 * 1.02] * 2, rel=0.005)
    assert outcome.safe.complete


@pytest.mark.parametrize("out", [OUT, ""])
def test_power_down_has_the_plug_pulled_if_it_still_is_in(tmp_path: Path, out: str) -> None:
    outcome, files = run(tmp_path, MAIN + out + DOWN, AtStep())
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert files.demo.world.settings["mains"] is False


@pytest.mark.parametrize("step", ["main.rail", "main_off"])
def test_an_interrupt_with_the_plug_in_says_that_it_is_in(tmp_path: Path, step: str) -> None:
    interrupt = AtStep(step, lambda: os.kill(os.getpid(), signal.SIGINT))
    outcome, _ = run(tmp_path, MAIN + OUT + DOWN, interrupt)
    assert outcome.disposition is Disposition.ABORTED
    lines = "\n".join(outcome.safe.unconfirmed)
    assert "mains plug is in, or may be: pull it now" in lines
    assert "rail.pos: the bench supply is not on it" in lines
    assert not any("below 2 V" in line for line in outcome.safe.confirmed)


DEAD = {
    "own_supply": "",
    "load_resistance": "",
    "own_mains": 'through = "series lamp"\n',  # two sources on one rail
    "dead_resistance": 'at = "rail.pos"\n',  # a meter that reads ohms on a charged rail
}


@pytest.mark.parametrize("kind", DEAD)
def test_what_is_for_a_dead_unit_is_refused_on_a_live_or_charged_one(
    tmp_path: Path, kind: str
) -> None:
    powered = """
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "2 A"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
stages = 3
healthy_current = "1 A"
"""
    held = '[[step]]\nid = "hold_up"\ndo = "hold_up"\nat = "rail.pos"\nuntil = "80 %"\n'
    wanted = f'[[step]]\nid = "x"\ndo = "{kind}"\n{DEAD[kind]}'
    for before in (powered, powered + held):
        with pytest.raises(UsageError, match="not discharged"):
            run(tmp_path, before + wanted + DOWN, AtStep())


def test_what_only_eyes_can_tell_is_not_measured_on_a_bench_that_has_none(tmp_path: Path) -> None:
    """Without a supply a rail that reads nothing is looked at by somebody: a lead that is off reads
    as little. On a simulated bench nobody looks, neither there nor at the lamp."""
    path = tmp_path / "own.toml"
    first = '[[step]]\nid = "first"\ndo = "own_mains"\nthrough = "isolating transformer"\n'
    path.write_text(HEAD + first + DOWN, encoding="utf-8")
    plan, files = prepare(str(path), "demo:no_supply", "demo-receiver")
    options = Options("T-1", "", tmp_path / "r")
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    found = {j.step: (j.verdict, j.note) for j in outcome.judged}
    assert {verdict for verdict, _ in found.values()} == {Verdict.NOT_MEASURED}
    assert "no eyes" in found["first"][1]
    assert "reads as discharged, and so would a lead that is off" in found["discharge"][1]
    assert files.demo.world.settings["mains"] is False
    assert outcome.disposition is Disposition.HOLD


def test_from_the_question_on_the_plug_counts_as_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The operator plugs it in and ends the run instead of saying so."""

    def plugged_in_and_left(self: VirtualHands, control: str, *_: object) -> None:
        raise Interrupted(f"the operator ended the run at {control}")

    monkeypatch.setattr(VirtualHands, "turn", plugged_in_and_left)
    outcome, _ = run(tmp_path, MAIN + OUT + DOWN, AtStep())
    assert outcome.disposition is Disposition.ABORTED
    lines = "\n".join(outcome.safe.unconfirmed)
    assert "pull it now" in lines
    assert "rail.neg: the bench supply is not on it" in lines


def test_a_unit_without_mains_part_has_no_own_supply(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no mains supply of its own"):
        run(tmp_path, MAIN + OUT + DOWN, AtStep(), unit="demo-2x40")
