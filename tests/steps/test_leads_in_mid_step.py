"""What is good near nothing is not read once its lead has come off in the middle of a step."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import contextmanager
from typing import Any

import pytest

from seqrun.steps.common.drive import Drive
from seqrun.steps.common.ears import Ears
from seqrun.steps.crosstalk import InputLeakage

Powered = Callable[..., Any]
SEED = 61  # a unit of these tests alone: its leads come off
DRIVEN_SOAK = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "soak"
do = "soak"
ambient = "ambient"
power = "rated_power / 8"
until = "decided"
seen = 0.2
listen = "20 s"
at_least = "60 s"
at_most = "10 min"
limit = { at_most = "0.2 K" }
[[step]]
id = "drops"
do = "drop_outs"
of = "soak"
"""


@pytest.fixture
def unit(powered: Powered) -> Any:
    return powered(seed=SEED)


@contextmanager
def put_back(unit: Any, lead: str) -> Any:
    """The lead is where it was afterwards; gives where that is."""
    node = unit.world.node_of(lead)
    yield node
    unit.world.connect(lead, node)


@pytest.mark.parametrize("kind", ["stray_signal", "hum_driven", "thd", "intermodulation"])
def test_a_reading_beside_a_tone_is_none_once_the_tone_has_gone(
    unit: Any, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    found, level = Drive.to_power, 'power = "2 W"\n'

    def then_off(drive: Drive, *args: Any, **kwargs: Any) -> None:
        found(drive, *args, **kwargs)
        unit.world.disconnect("generator.1")

    monkeypatch.setattr(Drive, "to_power", then_off)
    with put_back(unit, "generator.1"):
        read = unit.do(f'[[step]]\nid = "s"\ndo = "{kind}"\n{level}')
    assert "the tone has gone from out.left" in read.reason()


def listened(
    unit: Any, monkeypatch: pytest.MonkeyPatch, steps: str, off: int, on: int | None
) -> Any:
    """Steps whose probe on the left comes off before one record and is back before another."""
    listen, records = Ears.listen, iter(range(10_000))

    def with_hands(ears: Ears) -> None:
        number = next(records)
        if number == off:
            unit.world.disconnect("scope.1")
        if number == on:
            unit.world.connect("scope.1", node)
        listen(ears)

    monkeypatch.setattr(Ears, "listen", with_hands)
    with put_back(unit, "scope.1") as node:
        return unit.do(steps)


BURSTS = '[[step]]\nid = "bursts"\ndo = "output_bursts"\nwatch = "20 s"\n'


@pytest.mark.parametrize("on", [8, None])
def test_silence_is_heard_only_by_a_lead_that_is_seen_there_again_and_again(
    unit: Any, monkeypatch: pytest.MonkeyPatch, on: int | None
) -> None:
    monkeypatch.setattr("seqrun.steps.common.ears.PROVED_EVERY_S", 5.0)
    read = listened(unit, monkeypatch, BURSTS, 2, on).all("burst_rate")
    assert [r.channel for r in read if r.value is None] == ["left"]
    assert "nothing shows that the lead is on out.left" in read[0].note


def test_silence_heard_before_a_lead_was_put_on_is_none_of_the_output(
    unit: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    listen = Ears.listen

    def with_hands(ears: Ears) -> None:
        listen(ears)
        unit.world.connect("scope.1", node)

    monkeypatch.setattr(Ears, "listen", with_hands)
    with put_back(unit, "scope.1") as node:
        unit.world.disconnect("scope.1")
        read = unit.do(BURSTS).all("burst_rate")
    assert [r.channel for r in read if r.value is None] == ["left"]


def test_a_tone_that_goes_and_comes_back_is_one_drop_out_as_long_as_it_was_gone(
    unit: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = listened(unit, monkeypatch, DRIVEN_SOAK, 3, 6)
    seconds = read.one("lost_time", "left").value
    assert read.one("drop_out_rate", "left").value == pytest.approx(
        1.0 / read.one("listened", "left").value
    )
    assert seconds == pytest.approx(3 * 1.6, rel=0.05)


def test_a_tone_that_does_not_come_back_is_a_lead_or_an_output_and_no_drop_out(
    unit: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = listened(unit, monkeypatch, DRIVEN_SOAK, 3, None)
    left, right = read.all("drop_out_rate")
    assert left.value is None
    assert "did not come back" in left.note
    assert right.value is not None


LEAKAGE = """
[[step]]
id = "volume"
do = "set_control"
control = "volume"
to = "1"
[[step]]
id = "leak"
do = "input_leakage"
input = "aux"
selected = "line"
frequency = "10 kHz"
power = "1 W"
"""


def test_an_input_is_quiet_only_through_a_lead_that_shows_its_tone_before_and_after(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = powered(unit="demo-receiver", seed=SEED)
    read = unit.do(LEAKAGE)
    for channel in unit.view.unit.channels:
        assert read.one("input_leakage", channel).value > 40.0
    quiet = InputLeakage.quiet

    def then_off(step: InputLeakage, *args: Any) -> Any:
        unit.world.disconnect("scope.1")
        return quiet(step, *args)

    monkeypatch.setattr(InputLeakage, "quiet", then_off)
    with put_back(unit, "scope.1"):
        assert "the tone has gone from out.left" in unit.do(LEAKAGE).reason()
