"""Devices whose currents nobody can reach, told apart by the warmth of their cases."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from seqrun.errors import BenchLacks, Tripped, UnitLacks
from seqrun.files.bench.load import load_bench
from seqrun.files.unit.sheet import Unit
from seqrun.runner import opening
from seqrun.runner.opening import read_bench
from seqrun.steps.cases import cases_of
from seqrun.values import Verdict
from tests.steps import conftest

Powered = Callable[..., Any]
DRY = "dry_thermal_joint@left"
STEPS = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "cases"
do = "case_heat"
ambient = "ambient"
power = "rated_power / 4"
small_power = "rated_power / 200"
limit = { between = ["-75 %", "150 %"] }
[[step]]
id = "share"
do = "small_tone_heat"
of = "cases"
limit = { between = ["-30 %", "30 %"] }
"""


def cases(read: Any, quantity: str = "case_heat") -> dict[str, Any]:
    return {j.reading.channel: j for j in read.judged if j.reading.quantity == quantity}


def warmed(unit: Any, watts: float) -> dict[str, float]:
    """What each case rises by over the heatsink by a tone of that power, K, in the end."""
    before = unit.truth.case_rises()
    with unit.truth.driven((watts * 8.0) ** 0.5 / unit.truth.gain("left", 400.0), 400.0):
        after = unit.truth.case_rises()
    return {name: after[name] - before[name] for name in after}


def test_each_departure_holds_the_truth_of_a_healthy_unit(
    powered: Powered, out_of_reach: str
) -> None:
    unit = powered(unit=out_of_reach, seed=3, bench="demo:wide,dirty")
    read = unit.do(STEPS)
    true, found = warmed(unit, 10.0), cases(read)
    assert found.keys() == true.keys()
    for name, one in found.items():
        others = statistics.median(k for other, k in true.items() if other != name)
        departure = 100.0 * (true[name] / others - 1.0)
        assert one.reading.value == pytest.approx(departure, abs=one.reading.expanded_uncertainty)
        assert one.verdict is Verdict.PASS
        assert one.reading.expanded_uncertainty < 30.0
    assert {one.verdict for one in cases(read, "small_tone_heat").values()} == {Verdict.PASS}


def test_a_dry_joint_is_many_times_as_warm(powered: Powered, out_of_reach: str) -> None:
    found = cases(powered("dry_thermal_joint@left=0.3", unit=out_of_reach).do(STEPS))
    assert found.pop("left.upper.1").verdict is Verdict.FAIL
    assert {one.verdict for one in found.values()} == {Verdict.PASS}


def test_an_open_device_gives_no_heat_once_the_metal_is_warm(
    powered: Powered, out_of_reach: str
) -> None:
    """On cool metal it cannot be told from a probe that is not on its case, and is no pass."""
    unit = powered("open_device@left", unit=out_of_reach)
    cool = cases(unit.do(STEPS))
    assert cool["left.upper.1"].verdict is not Verdict.PASS
    warm = cases(unit.do(STEPS))["left.upper.1"]
    assert warm.verdict is Verdict.FAIL
    assert warm.reading.value < -90.0


def test_devices_that_are_not_alike_take_less_of_a_small_tone(
    powered: Powered, tmp_path: Path, out_of_reach: str
) -> None:
    """The other channel is what they are held against."""
    text = Path(out_of_reach).read_text(encoding="utf-8")
    text = text.replace('channels = ["left"]', 'channels = ["left", "right"]')
    path = tmp_path / "unit.toml"
    path.write_text(text.replace('"55 mA"', '"110 mA"'), encoding="utf-8")
    read = powered("mismatched_devices@left", unit=str(path)).do(STEPS)
    assert {one.verdict for one in cases(read).values()} == {Verdict.PASS}
    share = cases(read, "small_tone_heat")
    assert Verdict.FAIL in {one.verdict for n, one in share.items() if n.startswith("left")}


def test_a_probe_that_hangs_in_the_air_is_no_case(
    powered: Powered, out_of_reach: str, mocker: Any
) -> None:
    """Neither one place where it has slipped off, nor all of them, may pass."""
    unit = powered(unit=out_of_reach, seed=5)
    unit.do(STEPS)  # the metal is warm from here on
    connect = unit.world.connect

    def slips(terminal: str, node: str) -> None:
        if terminal == "sensor.probe" and node in off:
            unit.world.disconnect(terminal)
        else:
            connect(terminal, node)

    mocker.patch.object(unit.world, "connect", slips)
    off = {"case.left.lower.1"}
    found = cases(unit.do(STEPS))
    one = found.pop("left.lower.1")
    assert one.reading.value is None
    assert "hangs in the air" in one.reading.note
    assert {other.verdict for other in found.values()} == {Verdict.PASS}
    off = {f"case.{name}" for name in unit.truth.case_rises()}
    read = unit.do(STEPS)
    assert {j.verdict for j in read.judged if j.reading.quantity == "case_heat"} == {
        Verdict.NOT_MEASURED
    }


def test_a_bench_without_a_probe_and_a_unit_without_cases_are_told_apart(
    out_of_reach: str, tmp_path: Path
) -> None:
    view = read_bench("demo", out_of_reach).view
    bench = view.bench.model_copy(
        update={"sensor": tuple(s for s in view.bench.sensor if s.name != "probe")}
    )
    with pytest.raises(BenchLacks, match=r"no sensor at 'sensor\.probe'"):
        replace(view, bench=bench).sensor("sensor.probe")
    shut = Path(out_of_reach).read_text(encoding="utf-8").replace('cases = "accessible"', "")
    with pytest.raises(UnitLacks, match="not accessible"):
        cases_of(Unit.from_text(shut))


class Held:
    """A handheld thermometer, read to a tenth of a kelvin."""

    def __init__(self, world: Any) -> None:
        self._world = world

    def read(self, place: str, words: str) -> float:
        if place == "sensor.ambient":
            return round(self._world.truth.temperature("ambient"), 1)
        assert "insulated" in words
        if self._world.node_of("sensor.probe") != place:
            self._world.connect("sensor.probe", place)
            self._world.advance(15.0)
        return round(self._world.truth.temperature(place), 1)


def in_hand(out_of_reach: str, tmp_path: Path, mocker: Any, fault: str) -> Any:
    """A powered unit, and a thermometer in the hand beside it."""
    demo = read_bench("demo", out_of_reach, faults=(fault,) if fault else ())
    text = demo.view.bench.text.replace(
        '[[sensor]]\nname = "probe"\npoint = "sensor.probe"\nkind = "Pt100"\nclass = "B"\n', ""
    )
    hand = 'resource = "by hand"\ndriver = "handheld-thermometer"\n'
    text += f"\n[instrument.thermometer]\n{hand}\n[simulator.panel.thermometer]\n{hand}"
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    view = opening._view(load_bench(tmp_path / "bench.toml"), demo.view.unit)
    mocker.patch.object(conftest, "read_bench", return_value=replace(demo, view=view))
    unit = conftest.PoweredUnit(tmp_path / "results", (), None, 1, "demo")
    panel: Any = Held(unit.world)
    control: Any = unit._opened.control
    unit._opened.desk.staff(opening.VirtualHands(control, lambda key: panel), lambda: 0.0)
    return unit


@pytest.mark.parametrize(("fault", "verdict"), [("", Verdict.PASS), (DRY, Verdict.FAIL)])
def test_cases_are_felt_with_a_thermometer_in_the_hand(
    out_of_reach: str, tmp_path: Path, mocker: Any, fault: str, verdict: Verdict
) -> None:
    """Five numbers at each case, typed in; no meter is needed for it."""
    unit = in_hand(out_of_reach, tmp_path, mocker, fault)
    found = cases(unit.do(STEPS))
    one = found.pop("left.upper.1")
    assert one.verdict is verdict
    assert one.reading.instruments[0].startswith("thermometer")
    assert {other.verdict for other in found.values()} == {Verdict.PASS}
    unit.close()


def test_a_case_that_is_too_hot_ends_the_run_whoever_reads_it(
    out_of_reach: str, tmp_path: Path, mocker: Any, powered: Powered
) -> None:
    hot = STEPS.replace('do = "case_heat"\n', 'do = "case_heat"\nhottest = "24 °C"\n')
    assert hot != STEPS
    unit = in_hand(out_of_reach, tmp_path, mocker, "")
    with pytest.raises(Tripped, match="a case is at"):
        unit.do(hot)
    unit.close()
    with pytest.raises(Tripped, match="a case is at"):
        powered(unit=out_of_reach, seed=2407).do(hot)
