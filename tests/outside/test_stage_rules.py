"""Bridging, paralleling and clipping: rules of any power-amplifier handbook, and common practice.

The clipped-sine values are the Fourier series of a symmetrically clipped sine.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from demo_sim import fault_requests
from demo_sim.amplifier.device import vbe
from demo_sim.amplifier.spec import AmplifierSpec, DeviceSpec, LegSpec
from demo_sim.amplifier.stage import OutputStage
from demo_sim.bench_parts import BenchSpec
from demo_sim.ports import OutputSetting
from demo_sim.world import World


class Lossless:
    """A fault that takes the losses away: rails and drivers become ideal."""

    @staticmethod
    def change(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
        spec: AmplifierSpec = bench.amplifier
        ideal = replace(
            spec,
            rails=replace(spec.rails, feed_ohm=0.0),
            path=replace(spec.path, drop_v=0.0, drop_ohm=0.0, second=0.0, third=0.0),
            channels=tuple(
                replace(c, relay=replace(c.relay, contact_ohm=1e-6)) for c in spec.channels
            ),
        )
        return replace(bench, amplifier=ideal)


@pytest.fixture
def lossless(monkeypatch: pytest.MonkeyPatch) -> str:
    info = fault_requests.FaultInfo("lossless", "", "", False, 1.0, "fault")
    monkeypatch.setitem(fault_requests._CATALOGUE, "lossless", (info, Lossless.change))
    return "lossless"


def powered(topology: str, fault: str) -> World:
    unit = {"topology": topology, "channels": ["left"], "rail_voltage": 30.0}
    world = World(unit, [fault])
    wires = {
        "supply.1.pos": "rail.pos",
        "supply.1.neg": "ground",
        "supply.2.pos": "ground",
        "supply.2.neg": "rail.neg",
        "load.left.1": "out.left" if topology == "single_ended" else "out.left.pos",
        "load.left.2": "ground" if topology == "single_ended" else "out.left.neg",
    }
    for terminal, node in wires.items():
        world.connect(terminal, node)
    for output in (1, 2):
        world.set_supply("supply", output, OutputSetting(30.0, 40.0, True))
    world.advance(10.0)
    return world


def test_bridging_gives_four_times_the_power_into_the_same_load(lossless: str) -> None:
    single = powered("single_ended", lossless).truth.max_power("left")
    bridged = powered("bridged", lossless).truth.max_power("left")
    assert bridged / single == pytest.approx(4.0, rel=0.01)


def test_each_half_of_a_bridge_gives_twice_the_current_into_the_same_load(lossless: str) -> None:
    """Half the load per amplifier: at one output voltage per leg, twice the current."""
    single, bridged = (powered(t, lossless) for t in ("single_ended", "bridged"))
    currents = []
    for world, drive in ((single, 0.5), (bridged, 1.0)):  # 0.5 · gain at each leg
        with world.truth.driven(drive):
            point = world._unit.operating()
            currents.append(float(np.abs(point.load_a[0]).max()))
    assert currents[1] / currents[0] == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize(("thd", "ratio"), [(0.01, 1.0475), (0.03, 1.1119), (0.10, 1.2878)])
def test_power_at_a_distortion_over_power_at_clipping_onset(
    lossless: str, thd: float, ratio: float
) -> None:
    world = powered("single_ended", lossless)
    onset = 30.0**2 / (2.0 * world.truth.load_ohm("left"))
    assert world.truth.max_power("left", thd) / onset == pytest.approx(ratio, rel=0.005)


def stage_of(offsets: list[float], ohms: float) -> OutputStage:
    upper = tuple(DeviceSpec(o, ohms) for o in offsets)
    lower = tuple(DeviceSpec(0.0, ohms) for _ in offsets)
    return OutputStage([LegSpec("", upper, lower, 20.0)], 0.025, ohms)


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_matched_devices_in_parallel_carry_one_nth_each(count: int) -> None:
    stage = stage_of([0.0] * count, 0.22)
    bias = np.array([2.0 * (vbe(0.025, 25.0) + 0.025 * 0.22)])
    _, currents = stage.solve(np.array([[4.0]]), bias, np.full((1, 2, count), 25.0))
    lower = float(currents[0, 1].sum())
    np.testing.assert_allclose(currents[0, 0, :, 0], (4.0 + lower) / count, rtol=1e-9)


def test_a_mismatch_shifts_the_current_by_its_voltage_over_the_ballast() -> None:
    """ΔVbe/R, at currents where kT/qI is small beside the ballast."""
    mismatch, ohms = 5e-3, 0.47
    stage = stage_of([0.0, mismatch], ohms)
    bias = np.array([2.0 * (vbe(0.025, 25.0) + 0.025 * ohms)])
    _, currents = stage.solve(np.array([[8.0]]), bias, np.full((1, 2, 2), 25.0))
    shift = float(currents[0, 0, 1, 0] - currents[0, 0, 0, 0])
    assert shift == pytest.approx(mismatch / ohms, rel=0.03)
