"""A burnt contact between supply and reservoir."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_sim.amplifier.spec import RailSpec
from demo_sim.rails import Rail, Source


@given(st.floats(0.0, 29.9), st.floats(0.01, 6.0))
def test_filling_a_reservoir_never_lifts_the_supply_above_what_it_is_set_to(
    volts: float, feed_ohm: float
) -> None:
    rail = Rail(RailSpec(feed_ohm=feed_ohm), volts=volts)
    rail.feed(Source(30.0, 2.7, 0.01))
    assert rail.mode == "charging"
    assert volts + rail.filling_a * rail.spec.feed_ohm <= 30.0


def test_far_from_full_the_supply_gives_its_limit() -> None:
    rail = Rail(RailSpec(feed_ohm=2.0), volts=5.0)
    rail.feed(Source(30.0, 2.7, 0.0))
    assert rail.filling_a == pytest.approx(2.7)
