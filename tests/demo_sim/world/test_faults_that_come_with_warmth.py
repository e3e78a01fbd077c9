"""Faults that a cold unit at rest does not have."""

from __future__ import annotations

from dataclasses import replace

import pytest

from demo_sim.fault_requests import _CATALOGUE, entry


@pytest.fixture
def unit(bench):
    """A powered unit whose left channel a test has changed."""

    def make(change):
        def whole(of, channel, severity):
            return replace(of, amplifier=of.amplifier.with_channel("left", change))

        entry("made_up", "of a test", 1.0, channels=False)(whole)
        return bench(faults=["made_up"])

    yield make
    _CATALOGUE.pop("made_up", None)


def legs(channel, **changes):
    return replace(channel, legs=tuple(replace(leg, **changes) for leg in channel.legs))


def test_a_channel_turns_into_what_it_is_when_warm_and_back_when_it_has_cooled(unit):
    world = unit(lambda c: replace(c, warm=lambda w: legs(w, gain=14.0), warm_c=35.0))
    cold = world.truth.gain("left")
    with world.truth.driven(0.5):
        world.advance(600.0)
    assert cold > 27.0
    assert world.truth.temperature("sink") > 35.0
    assert world.truth.gain("left") == pytest.approx(14.0, rel=0.01)
    assert world.truth.gain("right") > 27.0
    world.advance(1800.0)
    assert world.truth.temperature("sink") < 35.0 - 3.0
    assert world.truth.gain("left") == pytest.approx(cold)


def test_a_film_on_the_contact_takes_from_one_half_wave_alone(unit):
    world = unit(lambda c: replace(c, relay=replace(c.relay, film_v=0.3)))
    with world.truth.driven(0.1):
        left, right = (world.truth.output(c)[1] for c in ("left", "right"))
    assert right.max() - left.max() == pytest.approx(0.3, abs=0.1)
    assert right.min() - left.min() == pytest.approx(0.0, abs=0.1)
    assert world.truth.thd("left", 0.02) > 0.02 > world.truth.thd("right", 0.02)


def test_a_protection_that_acts_on_lasting_current_cuts_low_tones_and_spares_high_ones(unit):
    world = unit(lambda c: legs(c, limit_a=2.0, limit_s=5e-3))
    assert world.truth.thd("left", 0.55, 20.0) > 0.02
    assert world.truth.thd("left", 0.55, 1000.0) < 0.005
