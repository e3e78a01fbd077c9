"""Channels that are crossed or inverted, before anybody's loudspeakers tell."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.values import Bound

Powered = Callable[..., Any]
OWN = '[[step]]\nid = "own"\ndo = "own_channel"\n'
POLARITY = '[[step]]\nid = "polarity"\ndo = "polarity"\n'
THD = '[[step]]\nid = "thd"\ndo = "thd"\n'


def test_each_input_of_a_healthy_unit_is_heard_at_its_own_output(powered: Powered) -> None:
    read = powered().do(OWN)
    for channel in ("left", "right"):
        assert read.one("own_channel", channel).value > 40.0


def test_crossed_channels_answer_at_the_other_output(powered: Powered) -> None:
    read = powered("crossed_channels").do(OWN)
    for channel, other in (("left", "right"), ("right", "left")):
        reading = read.one("own_channel", channel)
        assert reading.value < -40.0
        assert reading.bound is Bound.AT_MOST
        assert f"out.{other} answers" in reading.note


def test_a_level_search_on_crossed_channels_says_so_and_ends(powered: Powered) -> None:
    unit = powered("crossed_channels")
    assert "the other channel answers" in unit.do(THD).reason()


@pytest.mark.parametrize("inverted", ["left", "right"])
def test_an_inverted_channel_is_told_from_the_other(powered: Powered, inverted: str) -> None:
    read = powered(f"inverted_polarity@{inverted}").do(POLARITY)
    for channel in ("left", "right"):
        value = read.one("polarity", channel).value
        assert value < -0.9 if channel == inverted else value > 0.9


def test_a_generator_without_bursts_has_a_probe_on_the_input(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("seqrun.steps.channels.plays_bursts", lambda view: False)
    read = powered("inverted_polarity@left").do(POLARITY)
    assert read.one("polarity", "left").value < -0.9
    assert read.one("polarity", "right").value > 0.9
