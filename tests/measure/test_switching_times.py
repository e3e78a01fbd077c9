"""Relays and mutes."""

from __future__ import annotations

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure import timing
from seqrun.measure.uncertain import exactly

RATE, TONE = 20_000.0, 1000.0


def tone_between(on: list[tuple[float, float]], seconds: float = 6.0) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    gate = sum(((time >= a) & (time < b)).astype(float) for a, b in on)
    noise = np.random.default_rng(0).normal(0.0, 1e-3, time.size)
    return gate * np.sin(2 * np.pi * TONE * time) + noise


def events(on: list[tuple[float, float]]) -> timing.Switching:
    return timing.switching(timing.envelope(tone_between(on), RATE, TONE))


def test_a_relay_that_closes_after_3_2_s_is_read_to_a_period_of_the_tone() -> None:
    found = timing.pull_in_time(events([(3.2, 6.0)]), exactly(0.0))
    assert found.nominal_value == pytest.approx(3.2, abs=1.5e-3)
    assert found.std_dev == pytest.approx(1e-3 / 3**0.5, rel=0.01)


def test_a_bouncing_relay_counts_from_its_last_closing() -> None:
    found = timing.pull_in_time(events([(3.2, 3.21), (3.25, 6.0)]), exactly(0.0))
    assert found.nominal_value == pytest.approx(3.25, abs=1.5e-3)


def test_release_counts_from_switching_off() -> None:
    found = timing.release_time(events([(0.0, 4.35)]), exactly(4.0))
    assert found.nominal_value == pytest.approx(0.35, abs=1.5e-3)


def test_mute_length_is_from_going_to_coming_back() -> None:
    found = timing.mute_length(events([(0.0, 2.0), (2.8, 6.0)]))
    assert found.nominal_value == pytest.approx(0.8, abs=2e-3)


def test_a_step_of_the_offset_is_no_tone() -> None:
    wave = tone_between([(4.0, 6.0)])
    wave += np.where(np.arange(wave.size) < 30_000, 0.0, 0.5)
    found = timing.switching(timing.envelope(wave, RATE, TONE))
    assert [t.nominal_value for t in found.closed_s] == pytest.approx([4.0], abs=1.5e-3)


@pytest.mark.parametrize("on", [[], [(0.0, 6.0)]])
def test_a_tone_that_never_or_always_plays_has_no_times(on: list[tuple[float, float]]) -> None:
    with pytest.raises(NotMeasured, match="tone stays"):
        events(on)


def test_an_event_between_two_looks_is_rectangular() -> None:
    found = timing.watched_event(3.0, 3.5)
    assert found.nominal_value == pytest.approx(3.25)
    assert found.std_dev == pytest.approx(0.25 / 3**0.5)
