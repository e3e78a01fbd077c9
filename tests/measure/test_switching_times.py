"""Relays and mutes, by looking again and again."""

from __future__ import annotations

import math

import pytest

from seqrun.errors import NotMeasured
from seqrun.measure.timing import (
    Look,
    closes_between,
    mute_length,
    pull_in_time,
    release_time,
    watched_event,
)
from seqrun.measure.uncertain import variable
from seqrun.values import Bound, exactly, rectangular


def looks(present: str, begin_s: float = 1.0, every_s: float = 0.5) -> list[Look]:
    """Looks that take 20 ms each; ``x`` shows the tone."""
    starts = [begin_s + every_s * n for n in range(len(present))]
    return [Look(t, t + 0.02, p == "x") for t, p in zip(starts, present, strict=True)]


def test_a_relay_closes_between_the_last_look_without_and_the_first_with() -> None:
    found = pull_in_time(looks("...xx"), 0.0, exactly(0.0))
    assert found.nominal_value == pytest.approx((2.0 + 2.52) / 2.0)
    assert found.std_dev == pytest.approx(0.26 / 3**0.5)


def test_a_relay_that_is_closed_at_the_first_look_closed_since_power_came_on() -> None:
    found = pull_in_time(looks("x"), 0.0, exactly(0.0))
    assert found.nominal_value == pytest.approx(0.51)
    assert found.std_dev == pytest.approx(0.51 / 3**0.5)


def test_a_ramps_length_is_in_the_pull_in_time() -> None:
    found = pull_in_time(looks(".x"), 0.0, rectangular(0.5, 0.4, "ramp"))
    assert found.std_dev == pytest.approx((0.26**2 + 0.4**2) ** 0.5 / 3**0.5)


def test_release_is_the_first_opening_whatever_bounces_after_it() -> None:
    found = release_time(looks("xx.x."), (0.99, 1.0))
    assert found.nominal_value == pytest.approx((1.5 + 2.02) / 2.0 - 0.995)


def test_a_mute_ends_when_the_tone_is_back_for_good() -> None:
    found = mute_length(looks("..x.xx"), (0.9, 1.0))
    assert found.bound is Bound.EXACT
    assert found.value.nominal_value == pytest.approx((2.5 + 3.02) / 2.0 - 0.95)


def test_a_mute_over_before_the_first_look_is_at_most_as_long_as_that_took() -> None:
    found = mute_length(looks("xx"), (0.9, 1.0))
    assert found.bound is Bound.AT_MOST
    assert found.value.nominal_value == pytest.approx(1.02 - 0.9)


def test_what_does_not_happen_has_no_time() -> None:
    with pytest.raises(NotMeasured, match="no tone"):
        pull_in_time(looks("..."), 0.0, exactly(0.0))
    with pytest.raises(NotMeasured, match="tone stays"):
        release_time(looks("xxx"), (0.9, 1.0))
    with pytest.raises(NotMeasured, match="does not come back"):
        mute_length(looks("x.."), (0.9, 1.0))


def test_an_event_between_two_looks_is_rectangular() -> None:
    found = watched_event(3.0, 3.5)
    assert found.nominal_value == pytest.approx(3.25)
    assert found.std_dev == pytest.approx(0.25 / 3**0.5)


def test_an_output_that_is_open_at_the_first_look_opened_since_the_switching_began() -> None:
    """Switched within 10.0 s to 10.1 s, seen open at 10.3 s: 0.1 s, as rectangular as both."""
    found = release_time([Look(10.2, 10.3, False)], (10.0, 10.1))
    assert found.nominal_value == pytest.approx(0.1)
    assert found.std_dev == pytest.approx(math.hypot(0.15, 0.05) / math.sqrt(3.0))
    found = release_time([Look(10.2, 10.3, True), Look(10.4, 10.5, False)], (10.0, 10.1))
    assert found.nominal_value == pytest.approx(0.5 * (10.2 + 10.5) - 10.05)
    assert found.std_dev == pytest.approx(math.hypot(0.15, 0.05) / math.sqrt(3.0))


def test_relays_close_within_k_of_what_is_known_and_a_share_of_their_delay() -> None:
    """Rails up at 100 s ± 0.3 s (1 u), delays of 4 s and 6 s ± 0.4 s (1 u): 0.5 s (1 u) together;
    a twentieth of each delay more."""
    up = variable(100.0, 0.3, "rails")
    delays = [variable(4.0, 0.4, "first"), variable(6.0, 0.4, "second")]
    assert closes_between(up, delays, 0.05) == pytest.approx((102.8, 107.3))
    assert closes_between(up, delays[:1], 0.0) == pytest.approx((103.0, 105.0))
