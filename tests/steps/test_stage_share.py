"""How power stages in parallel share, against the truth; what a lead that is off makes of it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from demo_sim import fault_requests
from demo_sim.amplifier.spec import LegSpec
from demo_sim.bench_parts import BenchSpec
from demo_sim.fault_requests import FaultInfo
from seqrun.errors import UsageError
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import Unit, load_unit
from seqrun.measure import levels
from seqrun.plan.build import build
from seqrun.runner.opening import read_bench
from seqrun.steps.stages import banks
from seqrun.values import Verdict, exactly, normal

Powered = Callable[..., Any]
UNIT = "demo-integrated"
WATTS = 3.125
STEP = (
    '[[step]]\nid = "stages.{channel}"\neach = "channel"\ndo = "stage_share"\n'
    f'power = "{WATTS} W"\nlimit = {{ at_most = "30 %" }}\n'
)
LEFT = STEP.replace('each = "channel"', 'each = { channel = ["left"] }')


def sheet(tmp_path: Path, old: str, new: str) -> str:
    """The shipped unit with one line of its sheet changed."""
    text = Path(find("unit", UNIT, None)).read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "unit.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return str(path)


def driven(unit: Any) -> Any:
    """The unit's truth is asked for while it plays what the step plays."""
    gain = unit.truth.gain("left", 400.0)
    return unit.truth.driven((WATTS * 8.0) ** 0.5 / gain, 400.0)


def verdicts(read: Any) -> dict[str, Verdict]:
    return {
        j.reading.channel: j.verdict for j in read.judged if j.reading.quantity == "stage_share"
    }


def test_shares_and_circulating_currents_hold_the_truth(powered: Powered) -> None:
    unit = powered(unit=UNIT, seed=3)
    read = unit.do(STEP)
    for terminal in ("left.pos", "left.neg", "right.pos", "right.neg"):
        channel, _, side = terminal.partition(".")
        idle = [unit.truth.stage_current(channel, side, n)[0] for n in (1, 2)]
        with driven(unit):
            amps = [unit.truth.stage_current(channel, side, n)[1] for n in (1, 2)]
        worst = 100.0 * (2.0 * max(amps) / sum(amps) - 1.0)
        share = read.one("stage_share", terminal)
        assert share.value == pytest.approx(worst, abs=share.expanded_uncertainty)
        circulating = read.one("circulating_current", terminal)
        true = 0.5 * abs(idle[0] - idle[1])
        assert circulating.value == pytest.approx(true, abs=circulating.expanded_uncertainty)
    assert set(verdicts(read).values()) == {Verdict.PASS}


@pytest.mark.parametrize(
    ("fault", "least", "most"),
    [
        ("open_stage@left", 85.0, 125.0),
        ("open_stage@left=0.2", 45.0, 85.0),  # 0.4 Ω more beside 0.1 Ω: a sixth of the current
        ("open_device@left", 40.0, 70.0),  # half waves: 0.19 and 0.54 of the peak
    ],
)
def test_a_stage_that_does_not_give_its_part_is_found(
    powered: Powered, fault: str, least: float, most: float
) -> None:
    read = powered(fault, unit=UNIT, seed=3).do(LEFT)
    share = read.one("stage_share", "left.pos")
    assert least < share.value < most
    assert "stage 1: " in share.note
    found = verdicts(read)
    assert found.pop("left.pos") is Verdict.FAIL
    assert set(found.values()) == {Verdict.PASS}


def test_a_lead_that_is_off_is_not_taken_for_a_stage_that_gives_nothing(
    powered: Powered, mocker: Any
) -> None:
    unit = powered(unit=UNIT, seed=4)
    connect = unit.world.connect

    def off(terminal: str, node: str) -> None:
        if terminal == "meter.hi" and node.startswith("output_ballast.left.pos.2"):
            node = "output_ballast.left.pos.2.cold"
        connect(terminal, node)

    mocker.patch.object(unit.world, "connect", off)
    read = unit.do(LEFT)
    (lost,) = (r for r in read.all("stage_share") if r.channel == "left.pos")
    assert lost.value is None
    assert "add up to" in lost.note
    assert read.one("stage_share", "left.neg").value < 15.0


def test_a_lead_goes_to_each_place_once(powered: Powered, mocker: Any) -> None:
    """And not to all of them beforehand."""
    unit = powered(unit=UNIT, seed=4)
    put = mocker.spy(unit.world, "connect")
    unit.do(LEFT)
    moves = [c.args[1] for c in put.call_args_list if c.args[0] == "meter.hi"]
    assert len(moves) == len(set(moves)) == 4


def test_its_u_is_the_ballasts_tolerance_first(powered: Powered, tmp_path: Path) -> None:
    narrow = sheet(tmp_path, 'output_ballast = "0.1 Ω"', NARROW)
    wide, tight = powered(unit=UNIT, seed=3), powered(unit=narrow, seed=3)
    for unit, least, most in ((wide, 5.0, 8.0), (tight, 0.5, 3.5)):
        forecast, *_ = unit.forecasts(LEFT)
        share = unit.do(LEFT).one("stage_share", "left.pos")
        assert least < share.expanded_uncertainty < most
        ratio = share.expanded_uncertainty / forecast.expanded_uncertainty
        assert 0.7 < ratio < 1.5


NARROW = 'output_ballast = "0.1 Ω"\noutput_ballast_tolerance = "0.5 %"'


def test_an_open_ballast_is_found_though_the_volts_across_it_are_its_neighbours(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    def opened(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
        def of(leg: LegSpec) -> LegSpec:
            first = leg.stage == 1 and leg.side == "neg"
            return dataclasses.replace(leg, output_ohm=math.inf) if first else leg

        amplifier = bench.amplifier.with_legs(channel, of)
        return dataclasses.replace(bench, amplifier=amplifier)

    told = FaultInfo("open_ballast", "open", "open", True, 1.0, "fault")
    monkeypatch.setitem(fault_requests._CATALOGUE, "open_ballast", (told, opened))
    read = powered("open_ballast@left", unit=UNIT, seed=3).do(LEFT)
    assert read.one("stage_share", "left.neg").value == pytest.approx(100.0, abs=20.0)
    assert verdicts(read) == {"left.pos": Verdict.PASS, "left.neg": Verdict.FAIL}


def test_volts_alike_across_an_open_ballast_add_up_to_twice_the_load() -> None:
    amps = [normal(1.0, 0.01, "one"), normal(1.0, 0.01, "other")]
    assert levels.sharing(amps).nominal_value == pytest.approx(0.0)
    assert levels.sharing(amps, exactly(1.0)).nominal_value == pytest.approx(1.0)


@pytest.mark.parametrize("told", ['output_ballast = "not accessible"', ""])
def test_without_reach_the_unit_is_held_for_what_nobody_could_see(
    tmp_path: Path, told: str
) -> None:
    from seqrun.files.sequence.expand import expand_all
    from seqrun.files.sequence.load import load_sequence
    from seqrun.steps.base import kinds

    path = sheet(tmp_path, 'output_ballast = "0.1 Ω"', told)
    view = read_bench("demo", path).view
    sequence = load_sequence("acceptance", kinds(), unit=view.unit)
    plan = build(sequence, view, expand_all(sequence, view.unit))
    (left, right) = (out for out in plan.left_out if out.id.startswith("stages."))
    assert left.of_unit and right.of_unit
    assert "output ballast" in left.reason


def test_a_unit_with_one_stage_at_each_terminal_has_nothing_to_share() -> None:
    with pytest.raises(UsageError, match="nothing to share"):
        list(banks(load_unit("demo-2x40"), "left"))


def test_the_terminals_of_a_bridge_are_told_apart() -> None:
    unit: Unit = load_unit(UNIT)
    found = dict(banks(unit, "right"))
    assert list(found) == ["right.pos", "right.neg"]
    assert found["right.neg"] == ["output_ballast.right.neg.1", "output_ballast.right.neg.2"]
    assert unit.output_path == pytest.approx(0.1)
