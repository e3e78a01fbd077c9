"""The rest of a soak's heat goes in faster, once the verdict on its rise can no longer change."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from pytest_mock import MockerFixture

from demo_sim.amplifier.passing import Intermittent
from seqrun.errors import SeqrunError
from seqrun.files.sequence.load import sequence_from_text
from seqrun.plan.supply_checks import current_for
from seqrun.runner.lent import Lent
from seqrun.steps.base import kinds
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.faintest import heard_beside
from seqrun.steps.common.heating_on import HeatingOn
from seqrun.steps.common.rise_curve import RiseCurve
from seqrun.steps.heat import Soak
from seqrun.values import Bound

Powered = Callable[..., Any]
MadeUp = Callable[..., str]
HEAD = 'title = "t"\nrevision = "A"\n'
AMBIENT = '[[step]]\nid = "ambient"\ndo = "temperature"\nat = "sensor.ambient"\n'
PLAIN = """[[step]]
id = "soak"
do = "soak"
ambient = "ambient"
power = "rated_power / 8"
until = "decided"
seen = 0.9
at_most = "60 min"
limit = { at_most = "45 K" }
"""
FASTER = PLAIN.replace("until", 'then_power = "rated_power / 3"\nuntil')
LISTENING = FASTER + 'listen = "60 s"\n'
DROPS = '[[step]]\nid = "drops"\ndo = "drop_outs"\nof = "soak"\n'
CRACKLES = '[[step]]\nid = "crackles"\ndo = "crackles"\nof = "soak"\n'


def settled(unit: Any) -> float:
    """Where an eighth of rated power would take the sink, K."""
    volts = math.sqrt(5.0 * unit.truth.load_ohm("left")) / unit.truth.gain("left")
    with unit.truth.driven(volts):
        return float(unit.truth.settled_sink_rise())


def soaked(unit: Any, steps: str) -> tuple[Any, float, float]:
    """What was read, K that the sink was at in the end, s that it took."""
    began = unit.world.now
    read = unit.do(AMBIENT + steps)
    return read, float(unit.truth.sink_rise()), unit.world.now - began


def test_a_unit_is_as_hot_in_half_the_time_and_its_rise_is_that_of_the_soak_s_power(
    powered: Powered,
) -> None:
    plain, plain_k, plain_s = soaked(powered(seed=171), PLAIN)
    faster, faster_k, faster_s = soaked(powered("hum@left=0.001", seed=171), FASTER)
    end = settled(powered(seed=171))
    for read in (plain, faster):
        rise = read.one("sink_rise")
        assert abs(rise.value - end) <= rise.expanded_uncertainty
    assert faster_s < 0.62 * plain_s
    assert 0.9 * end < faster_k < end  # as hot as that power makes it, and no hotter
    assert plain_k == pytest.approx(faster_k, rel=0.08)


def told_heated_on(mocker: MockerFixture) -> list[str]:
    """Soaks that tell, for the chart, from when on they were heated with a greater power."""
    told: list[str] = []
    keep = Lent.fact

    def fact(self: Lent, table: str, key: str, value: object) -> None:
        told.extend([key] if table == "heated_on" else [])
        keep(self, table, key, value)

    mocker.patch.object(Lent, "fact", fact)
    return told


def test_a_unit_that_does_not_give_the_greater_power_is_heated_as_before(
    powered: Powered, mocker: MockerFixture
) -> None:
    """Its rails give way long before."""
    told = told_heated_on(mocker)
    unit = powered("weak_supply=1", seed=172)
    read, reached, _ = soaked(unit, FASTER.replace("rated_power / 3", "0.98 * rated_power"))
    assert read.one("sink_rise").value == pytest.approx(settled(unit), rel=0.2)
    assert reached > 0.8 * settled(unit)
    assert told == []


def test_a_unit_that_the_greater_power_makes_cooler_does_not_take_for_ever(
    powered: Powered, mocker: MockerFixture
) -> None:
    """As a stage in class A."""
    ask, asked = Drive.to_power, []

    def no_more(self: Drive, watts: float, *rest: Any, **more: Any) -> None:
        asked.append(watts)
        ask(self, 1.0 if watts > 5.1 else watts, *rest, **more)

    mocker.patch.object(Drive, "to_power", no_more)
    unit = powered("hum@left=0.002", seed=171)
    read, reached, seconds = soaked(unit, FASTER)
    assert max(asked) == pytest.approx(40.0 / 3.0, rel=1e-6)
    assert asked[-1] == 5.0
    rise = read.one("sink_rise")
    assert abs(rise.value - settled(unit)) <= rise.expanded_uncertainty
    assert reached < 0.8 * rise.value
    mocker.stopall()
    _, _, plain_s = soaked(powered("hum@left=0.003", seed=171), PLAIN)
    assert seconds < 1.15 * plain_s


def test_what_drops_out_near_the_end_of_the_rise_alone_is_counted(
    powered: Powered, made_up: MadeUp
) -> None:
    """Past four fifths of where the soak's power takes it."""

    def late(channel: Any) -> Any:
        held = Intermittent(6.0, 0.3, scatter=0.0, above_c=22.0 + 0.8 * 28.0)
        return dataclasses.replace(channel, relay=dataclasses.replace(channel.relay, contact=held))

    read, _, _ = soaked(powered(made_up("late_drops", late), seed=173), LISTENING + DROPS)
    assert read.one("drop_out_rate", "left").value > 0.005
    assert read.one("drop_out_rate", "right").bound is Bound.AT_MOST


def test_an_output_that_goes_off_while_it_is_heated_on_makes_the_soak_none(
    powered: Powered, mocker: MockerFixture
) -> None:
    """A lead that comes off as soon as the greater power is there: less heat goes in than meant."""
    unit, ask = powered(seed=174), HeatingOn.play

    def then_off(self: HeatingOn, *, hard: bool) -> bool:
        found = ask(self, hard=hard)
        watched.append(found)
        return found

    def look(self: Soak, ctx: Any, most: float) -> float:
        if len(watched) == 1 and most:
            unit.world.disconnect("generator.1")
        return still(self, ctx, most)

    watched: list[bool] = []
    still = Soak._still_driven
    mocker.patch.object(HeatingOn, "play", then_off)
    mocker.patch.object(Soak, "_still_driven", look)
    read, _, _ = soaked(unit, FASTER)
    assert watched == [True]
    missing = [r for r in read.all("sink_rise") if r.value is None]
    assert "an output delivers less than it did" in missing[0].note


def test_the_air_is_read_once_more_after_the_metal_was_heated_on(
    powered: Powered, mocker: MockerFixture
) -> None:
    """By the meter's same leads: heating on goes by what is at the heatsink."""
    told = told_heated_on(mocker)
    mocker.patch("seqrun.steps.heat.ROOM_AGAIN_S", 60.0)
    unit = powered(seed=177)
    read, reached, _ = soaked(unit, FASTER)
    assert "the room moved by" in read.one("sink_rise").note
    assert 0.9 * settled(unit) < reached < settled(unit)
    assert told == ["soak"]


def test_a_sensor_that_comes_off_while_the_metal_is_heated_on_ends_the_heat(
    powered: Powered, mocker: MockerFixture
) -> None:
    unit, looks, look = powered(seed=178), iter(range(10_000)), Soak._still_driven

    def falls(self: Soak, ctx: Any, most: float) -> float:
        if drives and next(looks) == 3:
            sink = mocker.patch("seqrun.steps.common.heating_on.sink_now")
            sink.return_value = 25.0
        return look(self, ctx, most)

    def then(self: HeatingOn, *, hard: bool) -> bool:
        drives.append(hard)
        return ask(self, hard=hard)

    drives: list[bool] = []
    ask = HeatingOn.play
    mocker.patch.object(HeatingOn, "play", then)
    mocker.patch.object(Soak, "_still_driven", falls)
    read, reached, _ = soaked(unit, FASTER)
    missing = [r for r in read.all("sink_rise") if r.value is None]
    assert "the heatsink reads a rise of" in missing[0].note
    assert reached < 0.9 * settled(unit)


def test_heating_on_ends_with_the_time_that_the_soak_has(
    powered: Powered, mocker: MockerFixture
) -> None:
    """Where there is never enough of it."""
    share = HeatingOn.to_share

    def never_enough(self: HeatingOn, *asked: Any) -> None:
        self.enough = lambda *_: False
        share(self, *asked)

    mocker.patch.object(HeatingOn, "to_share", never_enough)
    unit = powered("hum@left=0.006", seed=171)
    read, _, seconds = soaked(unit, FASTER.replace("60 min", "25 min"))
    missing = [r for r in read.all("sink_rise") if r.value is None]
    assert "for the rest of the heat" in missing[0].note
    assert seconds == pytest.approx(25.0 * 60.0, abs=120.0)


def test_time_counts_for_crackles_in_which_they_would_have_been_heard(
    powered: Powered, mocker: MockerFixture
) -> None:
    """Beside the greater power they would not be: it is listened on at the soak's power."""
    mocker.patch("seqrun.steps.common.faintest.SPARE", 100.0)
    steps = LISTENING.replace('"60 s"', '"400 s"') + CRACKLES
    read, _, _ = soaked(powered("hum@left=0.004", seed=171), steps + 'faintest = "13 mV"\n')
    for channel in ("left", "right"):
        rate = read.one("crackle_rate", channel)
        assert rate.bound is Bound.AT_MOST
        assert rate.value == pytest.approx(3.78 / 400.0, rel=0.05)  # Poisson, none seen: 97.7 %


def test_the_greater_power_is_one_beside_which_a_crackle_is_heard(powered: Powered) -> None:
    view = powered(seed=171).view
    # 10 mV beside 5 W, and what is heard grows with the voltage: 14.1 mV beside twice the power
    assert heard_beside(view, 0.1, 0.010, 5.0, 15.0) == 15.0
    most = heard_beside(view, 0.015, 0.010, 5.0, 15.0)
    assert 8.0 < most < 5.0 * (15.0 / 10.0) ** 2
    assert heard_beside(view, 0.0101, 0.010, 5.0, 15.0) < 6.01
    assert heard_beside(view, 0.009, 0.010, 5.0, 15.0) == 15.0  # nothing to lose


def test_no_more_power_is_asked_for_than_loads_stand_and_a_supply_gives(
    powered: Powered, mocker: MockerFixture
) -> None:
    """A soak that a bench can do is not left out for the sake of its faster end."""
    unit = powered(seed=171)
    (soak,) = (a.step for a in unit._plan(AMBIENT + FASTER).actions if a.id == "soak")
    asked = {"left": 40.0 / 3.0, "right": 40.0 / 3.0}
    assert soak.needs(unit.view).load_power_w == pytest.approx(asked)
    load = unit.view.load("left")
    weak = mocker.patch.object(type(unit.view), "load")
    weak.return_value = load.model_copy(update={"power": 10.0})
    assert max(soak.needs(unit.view).load_power_w.values()) == pytest.approx(0.95 * 8.0)
    weak.return_value = load.model_copy(update={"power": 6.3})  # just enough for 5 W
    assert max(soak.needs(unit.view).load_power_w.values()) == pytest.approx(5.0)
    mocker.stopall()
    # 0.8 of the current is 0.64 of the power
    need = current_for(unit.view.unit, asked)
    mocker.patch("seqrun.steps.common.heating_on.largest_current", return_value=0.8 * need)
    found = max(soak.needs(unit.view).load_power_w.values())
    assert found == pytest.approx(0.95 * 0.64 * 40.0 / 3.0)


def test_with_then_power_a_soak_has_a_power_and_ends_when_decided() -> None:
    for text in (
        FASTER.replace('power = "rated_power / 8"\n', "", 1),
        FASTER.replace('"decided"', '"settled"'),
    ):
        with pytest.raises(SeqrunError, match=r'then_power goes with power and until = "decided"'):
            sequence_from_text(HEAD + AMBIENT + text, kinds())


def rising(minutes: float, end_k: float = 30.0, tau_s: float = 540.0) -> RiseCurve:
    curve, scatter = RiseCurve(), np.random.default_rng(2)
    for time_s in np.arange(0.0, 60.0 * minutes, 5.0):
        rise_k = end_k * (1.0 - math.exp(-time_s / tau_s)) + 0.02 * scatter.normal()
        curve.add(float(time_s), rise_k, 1.0)
    return curve


def test_the_share_of_an_end_and_the_time_that_is_left_to_it() -> None:
    curve = rising(12.0)
    target, seconds = curve.to_share(0.9, 40.0)
    assert target == pytest.approx(27.0, rel=0.1)  # the fit allows for a slower part
    end = target / 0.9
    left = (end - curve.rises[-1]) / (end - target)
    assert seconds == pytest.approx(540.0 * math.log(left), rel=0.05)
    now = curve.rises[-1]
    assert curve.to_share(0.5, 40.0) == (now, 0.0)  # is past
    assert curve.to_share(0.9, 25.0) == (now, 0.0)  # will fail: no hotter than need be
    brief = rising(1.0)
    assert brief.to_share(0.9, 40.0) == (brief.rises[-1], 0.0)  # nobody knows where it ends


def test_the_forecast_of_time_is_near_what_it_takes(powered: Powered) -> None:
    unit = powered("hum@left=0.005", seed=171)
    steps = LISTENING.replace('"60 s"', '"400 s"')
    planned = sum(action.needs.seconds for action in unit._plan(AMBIENT + steps).actions[-1:])
    _, _, seconds = soaked(unit, steps)
    assert planned == pytest.approx(seconds, rel=0.2)
