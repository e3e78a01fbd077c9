"""A soak of an hour in a room that gets warmer or cooler meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.runner.preparation import prepare
from seqrun.steps.common import rise_curve
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.rise_curve import RiseCurve
from seqrun.steps.common.sink import read_temperature
from seqrun.values import exactly, rectangular

Powered = Callable[..., Any]
SOAK = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "heat"
do = "soak"
power = "rated_power / 8"
until = "predicted"
within = "8 K"
at_least = "8 min"
at_most = "60 min"
ambient = "ambient"
"""


def late(unit: Any, seconds: float, monkeypatch: pytest.MonkeyPatch) -> tuple[Any, float]:
    """Its rise after a soak that began so long after the room was read, and where it does end."""
    ends: list[float] = []

    def read(*given: Any) -> Any:
        ends.append(unit.truth.settled_sink_rise())
        return read_temperature(*given)

    to_power = Drive.to_power

    def begin(drive: Drive, watts: float) -> None:
        unit.world.advance(seconds)
        to_power(drive, watts)

    monkeypatch.setattr(Drive, "to_power", begin)
    monkeypatch.setattr("seqrun.steps.heat.read_temperature", read)
    return unit.do(SOAK).one("sink_rise"), ends[-1]


def test_the_room_is_read_once_more_and_what_it_moved_by_is_no_rise(
    powered: Powered, monkeypatch: pytest.MonkeyPatch, mocker: Any
) -> None:
    unit, without = powered(seed=21), mocker.spy(RiseCurve, "without")
    rise, end = late(unit, 3000.0, monkeypatch)
    moved = unit.world._unit.ambient_c - unit.world._unit.spec.heat.ambient_c
    assert abs(moved) > 0.7
    assert unit.world.node_of("meter.hi") == "sensor.ambient.hot"
    assert rise.value == pytest.approx(end, abs=rise.expanded_uncertainty)
    told = float(rise.note.partition("the room moved by ")[2].removesuffix(" K"))
    assert told == pytest.approx(moved, abs=0.15)  # a part of it came before the first reading
    _, k_per_s, since_s = without.call_args.args
    assert k_per_s * 3600.0 == pytest.approx(unit.world._unit.spec.heat.ambient_k_per_h, abs=0.15)
    assert since_s == pytest.approx(3000.0, abs=30.0)
    named = {c.source.name: c.standard_uncertainty for c in rise.budget}
    assert "drift of the room since its reading" not in named
    # a quarter of 1 K an hour, and more where the fit carries it on
    assert named["what the room did between its readings"] >= 0.25 * 3400.0 / 3600.0 / 3.0**0.5


def test_after_half_an_hour_it_is_not_read_again(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = powered(seed=21)
    begun = unit.world.now
    rise, _ = late(unit, 600.0, monkeypatch)
    hours = (unit.world.now - begun) / 3600.0
    assert unit.world.node_of("meter.hi") == "sensor.sink.hot"
    named = {c.source.name: c.standard_uncertainty for c in rise.budget}
    # 1 K an hour, which the fit takes for the beginning of more rise
    assert named["drift of the room since its reading"] > 1.05 * hours / 3.0**0.5


def test_an_even_drift_is_taken_off_a_curve_from_when_the_room_was_read() -> None:
    curve = RiseCurve(100.0)
    for t in np.linspace(0.0, 600.0, 7):
        curve.add(float(t), 10.0 + 0.001 * (float(t) + 60.0), 0.2)
    plain = curve.without(0.001, 60.0)
    assert plain.rises == pytest.approx([10.0] * 7)
    assert (plain.times, plain.amperes, plain.begun) == (curve.times, curve.amperes, 100.0)


def test_an_end_of_which_nobody_knows_what_a_drift_makes_is_no_end(mocker: Any) -> None:
    curve = RiseCurve()
    for t in np.arange(0.0, 900.0, 10.0):
        curve.add(float(t), 20.0 * -float(np.expm1(-t / 500.0)), 0.2)
    nothing, drift = exactly(0.0), rectangular(0.0, 1.0 / 3600.0, "drift of the room")
    assert curve.end(nothing, drift, 60.0) is not None
    mocker.patch.object(rise_curve, "drift_carried", side_effect=NotMeasured("no bend"))
    assert curve.end(nothing, drift, 60.0) is None


def test_the_move_to_the_room_and_only_where_it_is_due_is_in_the_plan() -> None:
    def nodes(sequence: str, step: str) -> set[str]:
        plan, _ = prepare(sequence, "demo", None)
        (action,) = (a for a in plan.actions if a.id == step)
        return {node for hookup in action.needs.hookups for _, node in hookup.leads}

    assert {"sensor.sink.hot", "sensor.ambient.hot"} <= nodes("sharing", "heat")
    assert "sensor.ambient.hot" not in nodes("acceptance", "heat_eighth")
