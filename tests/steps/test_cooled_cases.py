"""What each output device carries, told by cooling one case after another."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from seqrun.runner.events import Watcher
from seqrun.runner.hands import Assumed
from seqrun.runner.opening import VirtualHands
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Verdict

Powered = Callable[..., Any]
STEP = """
[[step]]
id = "cooled"
do = "cooled_share"
settle = { within = "1 %", for = "30 s", at_most = "15 min" }
limit = { between = ["-75 %", "150 %"] }
"""


def shares(read: Any) -> dict[str, Any]:
    return {j.reading.channel: j for j in read.judged if j.reading.quantity == "cooled_share"}


def test_each_share_of_a_healthy_unit_holds_the_truth(powered: Powered, out_of_reach: str) -> None:
    unit = powered(unit=out_of_reach, seed=5, bench="demo:wide,dirty")
    found = shares(unit.do(STEP))
    falls = unit.truth.cooling_falls(15.0)
    assert found.keys() == falls.keys()
    for name, one in found.items():
        beside = next(fall for n, fall in falls.items() if n != name and n[:-1] == name[:-1])
        assert one.verdict is Verdict.PASS
        true = 100.0 * (falls[name] / beside - 1.0)
        assert one.reading.value == pytest.approx(true, abs=one.reading.expanded_uncertainty)


def test_a_device_that_carries_nothing_changes_nothing(powered: Powered, out_of_reach: str) -> None:
    found = shares(powered("open_device@left", unit=out_of_reach, seed=2).do(STEP))
    assert found.pop("left.upper.1").verdict is Verdict.FAIL
    assert Verdict.FAIL not in {one.verdict for n, one in found.items() if "lower" in n}


def test_a_stage_with_a_dead_half_stands_out_beside_its_neighbour(powered: Powered) -> None:
    found = shares(powered("open_device@left", unit="demo-integrated").do(STEP))
    assert found["left.pos.1"].reading.value < -75.0
    assert {one.verdict for n, one in found.items() if "right" in n} == {Verdict.PASS}


def test_the_cold_is_put_on_one_case_at_a_time_and_taken_off_again(
    powered: Powered, out_of_reach: str, mocker: Any
) -> None:
    unit = powered(unit=out_of_reach, seed=5, bench="demo:wide,dirty")
    put, off = mocker.spy(unit.world, "connect"), mocker.spy(unit.world, "disconnect")
    unit.do(STEP)
    on = [call.args[1] for call in put.call_args_list if call.args[0] == "cooler"]
    assert on == [f"case.left.{half}.{n}" for half in ("upper", "lower") for n in (1, 2)]
    assert [call.args for call in off.call_args_list] == [("cooler",)] * 4
    assert unit.world.node_of("cooler") is None


def test_where_nobody_cools_anything_nothing_is_measured(
    powered: Powered, out_of_reach: str, mocker: Any
) -> None:
    unit = powered(unit=out_of_reach, seed=5, bench="demo:wide,dirty")
    mocker.patch.object(unit.world, "connect", lambda *_: None)
    assert "no more than its uncertainty" in unit.do(STEP).reason()


def test_with_yes_nobody_cools(powered: Powered, out_of_reach: str, mocker: Any) -> None:
    unit = powered(unit=out_of_reach, seed=5, bench="demo:wide,dirty")
    hands = Assumed(lambda _: None, unit.view.fixed)
    mocker.patch.object(
        VirtualHands, "connect", lambda _, hookup, live: hands.connect(hookup, live)
    )
    assert "with --yes nobody does" in unit.do(STEP).reason()


def test_a_supply_that_somebody_reads_tells_it_too(
    out_of_reach: str, short_sequence: Callable[..., str], tmp_path: Path
) -> None:
    """Two numbers from each rail at each case, typed in."""
    waits = STEP.replace('cooled_share"', 'cooled_share"\nrecover = "60 s"')
    plan, files = prepare(short_sequence(waits), "demo:supply_by_hand", out_of_reach)
    outcome = execute(plan, files, None, Watcher(), Options("T-1", "", tmp_path), Interrupts())
    found = [j for j in outcome.judged if j.quantity == "cooled_share"]
    assert len(found) == 4
    assert {one.verdict for one in found} == {Verdict.PASS}
    assert {one.instruments for one in found} == {("supply (typed)",)}
