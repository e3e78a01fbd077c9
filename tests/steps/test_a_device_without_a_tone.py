"""Where no tone can flow through a device, or a hand would have to play it, nobody is asked to look
at the leads of its current."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.runner.opening import VirtualHands

Powered = Callable[..., Any]
CURRENT = '[[step]]\nid = "i"\ndo = "device_current"\nat = "ballast.left.upper.1"\n'
OFF = '[[step]]\nid = "off"\ndo = "take_loads_off"\n'


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What somebody was asked to look at; nobody does."""
    told: list[str] = []

    def nobody(hands: VirtualHands, text: str, leads: object) -> bool:
        told.append(text)
        return False

    monkeypatch.setattr(VirtualHands, "see_on", nobody)
    return told


@pytest.mark.parametrize(("bench", "before"), [("demo", OFF), ("demo:generator_by_hand", "")])
def test_it_is_read_and_nobody_is_asked(
    powered: Powered, asked: list[str], bench: str, before: str
) -> None:
    read = powered(seed=71, bench=bench).do(before + CURRENT)
    assert read.one("idle_current", "left.upper.1").value == pytest.approx(0.025, rel=0.3)
    assert not asked


def test_a_device_that_carries_no_tone_into_its_load_is_looked_at(
    powered: Powered, asked: list[str]
) -> None:
    read = powered("open_device@left=1", seed=71).do(CURRENT.replace("upper.1", "upper.2"))
    others = powered("open_device@left=1", seed=71).do(CURRENT)
    assert len(asked) == 1
    values = [r.value for got in (read, others) for r in got.all("idle_current")]
    assert values.count(None) == 1
