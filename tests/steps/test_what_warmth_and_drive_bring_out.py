"""What is seen only while a unit plays, into a capacitor, or when its protection is tried."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest
from pytest_mock import MockerFixture

from demo_sim.amplifier.passing import Intermittent
from demo_sim.amplifier.spec import AmplifierSpec, ChannelSpec, LegSpec
from seqrun.runner.engine import Engine
from seqrun.runner.opening import VirtualHands
from seqrun.values import Bound

Powered = Callable[..., Any]
OFFSET = (
    '[[step]]\nid = "offset.{channel}"\neach = "channel"\ndo = "dc_voltage"\nat = "out.{channel}"\n'
    'driven = "rated_power / 8"\n'
)
BURSTS = '[[step]]\nid = "bursts"\ndo = "output_bursts"\nwatch = "30 s"\n'
CAPACITOR = '[[step]]\nid = "c.{channel}"\neach = "channel"\ndo = "stray_into_capacitor"\n'
PROTECTION = """
[[step]]
id = "p.{channel}"
each = "channel"
do = "protection_opens"
to = "rail_voltage"
stages = 2
healthy_current = "3 * supply_idle"
running_limit = "1.35 * supply_at_rated_power"
"""


def legs(channel: ChannelSpec, **changes: Any) -> ChannelSpec:
    """A channel with all its legs changed alike."""
    changed: Sequence[LegSpec] = [replace(leg, **changes) for leg in channel.legs]
    return replace(channel, legs=tuple(changed))


def test_dc_that_comes_with_the_signal_alone_is_read_while_it_plays(
    powered: Powered, made_up: Any
) -> None:
    read = powered(made_up("pushes", lambda c: legs(c, offset_per_v=0.02))).do(OFFSET)
    assert abs(read.one("dc_offset", "left").value) < 0.02
    assert read.one("dc_driven", "left").value == pytest.approx(0.11, rel=0.2)
    assert abs(read.one("dc_driven", "right").value) < 0.02


def test_dc_that_comes_for_half_a_second_is_counted_as_a_burst(
    powered: Powered, made_up: Any
) -> None:
    fault = made_up("kicks", lambda c: replace(c, kick=Intermittent(8.0, 0.5), kick_v=0.1))
    read = powered(fault).do(BURSTS)
    assert read.one("burst_rate", "left").bound is Bound.EXACT
    assert read.one("burst_rate", "right").bound is Bound.AT_MOST
    assert read.one("listened", "right").value >= 30.0


def test_a_stage_that_oscillates_into_a_capacitor_does_so_in_its_step_alone(
    powered: Powered,
) -> None:
    steps = CAPACITOR + '[[step]]\nid = "stray"\ndo = "stray_signal"\n'
    read = powered("load_oscillation@right").do(steps)
    assert read.one("stray_capacitive", "right").value == pytest.approx(0.7, rel=0.15)
    assert read.one("stray_capacitive", "left").value < 0.02
    assert read.one("stray", "right").value < 0.02  # the capacitor is off again


def test_a_unit_whose_sheet_allows_no_capacitor_gets_none(powered: Powered) -> None:
    with pytest.raises(Exception, match="allows no capacitor"):
        powered(unit="demo-mono").do(CAPACITOR)


def test_a_protection_that_is_blind_lets_the_tone_through(
    powered: Powered, mocker: MockerFixture
) -> None:
    lowered = mocker.spy(Engine, "powered_off")
    read = powered("blind_protection@left").do(PROTECTION)
    assert lowered.call_count == 1, "only what has opened needs the rails down"
    assert abs(read.one("protection_opens", "left").value) < 1.0
    sound = read.one("protection_opens", "right")
    assert (sound.bound, sound.value > 20.0) == (Bound.AT_LEAST, True)


def test_an_output_whose_probe_came_off_while_the_dc_was_given_is_not_one_that_opened(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    turn = VirtualHands.turn

    def clumsy(hands: VirtualHands, control: str, position: str, *more: Any, **words: Any) -> None:
        turn(hands, control, position, *more, **words)
        if position == "left":
            hands.disconnect("scope.1", "", True)

    monkeypatch.setattr(VirtualHands, "turn", clumsy)
    unit = powered("blind_protection@left", seed=6)
    read = unit.do(PROTECTION).all("protection_opens")
    assert [(r.channel, r.value is None) for r in read] == [("left", True), ("right", False)]
    assert "did not come back at out.left" in read[0].note


def test_a_channel_whose_relay_closes_later_than_that_of_the_one_before_is_waited_for(
    powered: Powered, made_up: Any
) -> None:
    """Its rails have just come up again: the left one's tone is back first."""

    def later(unit: AmplifierSpec) -> AmplifierSpec:
        delays = {"left": 2.5, "right": 5.5}
        for name, delay in delays.items():
            unit = unit.with_channel(
                name, lambda c, d=delay: replace(c, relay=replace(c.relay, pull_in_s=d))
            )
        return unit

    read = powered(made_up("later_relay", later, whole=True)).do(PROTECTION)
    assert read.one("protection_opens", "right").bound is Bound.AT_LEAST


def test_a_channel_is_tried_with_a_relay_that_the_one_before_it_opened(powered: Powered) -> None:
    unit = powered(seed=6)
    unit.do(PROTECTION)
    read = unit.do(PROTECTION)  # whoever was tried last has closed again
    assert read.one("protection_opens", "right").bound is Bound.AT_LEAST
