"""Steps that have a control turned, on a unit that is given one.

The simulated unit has no front panel; here its hands reach into its gain or its relays instead.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from demo_sim.amplifier.electrics import Electrics
from seqrun.values import Bound

Powered = Callable[..., Any]


def give_control(
    monkeypatch: pytest.MonkeyPatch, unit: Any, positions: Mapping[str, Mapping[str, float]]
) -> None:
    """A control whose positions multiply the gain of each channel."""
    inside = unit.world._unit
    base = inside.spec

    def turn(name: str, value: object) -> None:
        spec = base
        for channel, factor in positions[str(value)].items():
            spec = spec.with_legs(
                channel, lambda leg, f=factor: dataclasses.replace(leg, gain=leg.gain * f)
            )
        inside.spec, inside.electrics, inside._wanted = spec, Electrics(spec), None
        inside.changed()

    monkeypatch.setattr(unit.world, "set_setting", turn)


def decibels(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def test_volume_tracking_is_the_change_of_balance_over_the_travel(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = powered(seed=5)
    positions = {
        "full": {"left": 1.0, "right": 1.0},
        "half": {"left": 0.1, "right": 0.1 * 0.9},
        "low": {"left": 0.01, "right": 0.01 * 1.02},
    }
    give_control(monkeypatch, unit, positions)
    read = unit.do(
        '[[step]]\nid = "v"\ndo = "volume_tracking"\npositions = ["full", "half", "low"]\n'
    ).one("volume_tracking")
    unit.world.set_setting("volume", "full")
    # Ratios on different scope ranges: their gain errors are in the budget.
    assert read.value == pytest.approx(decibels(1.0 / 0.9), abs=read.expanded_uncertainty)


def test_tone_controls_are_read_against_their_middle(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = powered(seed=5)
    positions = {
        "mid": {"left": 1.0, "right": 1.0},
        "max": {"left": 3.0, "right": 3.0},
        "min": {"left": 0.3, "right": 0.3},
    }
    give_control(monkeypatch, unit, positions)
    read = unit.do('[[step]]\nid = "t"\ndo = "tone_range"\ncontrol = "bass"\n')
    boost, cut = read.one("tone_boost", "left"), read.one("tone_cut", "left")
    assert boost.value == pytest.approx(decibels(3.0), abs=boost.expanded_uncertainty)
    assert cut.value == pytest.approx(-decibels(0.3), abs=cut.expanded_uncertainty)


def give_mute(monkeypatch: pytest.MonkeyPatch, unit: Any, seconds: float) -> None:
    """An input selector that mutes the outputs for a while."""

    def turn(name: str, value: object) -> None:
        for relay in unit.world._unit.relays:
            relay.mute(unit.world.now, seconds)
        unit.world._rejoin()

    monkeypatch.setattr(unit.world, "set_setting", turn)


def test_a_mute_is_timed_from_the_turning_to_the_tones_return(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = powered(seed=5)
    give_mute(monkeypatch, unit, 4.0)
    read = unit.do('[[step]]\nid = "m"\ndo = "mute_length"\nto = "aux"\n').one(
        "mute_length", "left"
    )
    assert read.value == pytest.approx(4.0, abs=read.expanded_uncertainty)


def test_a_mute_shorter_than_the_hand_is_a_bound(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = powered(seed=5)
    give_mute(monkeypatch, unit, 0.5)
    read = unit.do('[[step]]\nid = "m"\ndo = "mute_length"\nto = "aux"\n').one(
        "mute_length", "left"
    )
    assert read.bound is Bound.AT_MOST
    assert read.value > 0.5
