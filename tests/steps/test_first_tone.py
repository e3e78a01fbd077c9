"""The first quiet tone through a contact that has just closed, and films that a loud one breaks."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from switching_again import FIRST, switched

from demo_sim.amplifier.spec import ChannelSpec
from seqrun.files.shipped import find
from seqrun.steps.first_tone import LOUD_V, QUIET_V
from seqrun.values import Bound

Powered = Callable[..., Any]
SAME = switched() + FIRST


def dry(volts: float, lost: float) -> Callable[[ChannelSpec], ChannelSpec]:
    """A film that keeps so much of what swings by less than so many volts."""
    return lambda c: replace(c, relay=replace(c.relay, dry_v=volts, dry_lost=lost))


def test_a_sound_contact_keeps_nothing(powered: Powered) -> None:
    for reading in powered(seed=3).do(SAME).all("first_tone_lost"):
        assert abs(reading.value) < 0.05
        assert reading.bound is Bound.EXACT
        assert reading.expanded_uncertainty < 1.0


@pytest.mark.parametrize("lost", [0.3, 0.5, 0.75])
def test_what_a_film_keeps_of_the_first_tone_is_read_in_its_channel(
    powered: Powered, made_up: Any, lost: float
) -> None:
    unit = powered(made_up(f"film_{'abc'[int(4 * lost) - 1]}", dry(0.3, lost)), seed=3)
    left, right = unit.do(SAME).all("first_tone_lost")
    wanted = -20.0 * math.log10(1.0 - lost)
    assert abs(left.value - wanted) < left.expanded_uncertainty
    assert abs(right.value) < 0.05


def test_a_tone_that_is_not_there_is_a_loss_of_so_much_at_the_least(powered: Powered) -> None:
    left, _ = powered("dry_relay@left=0.9", seed=3).do(SAME).all("first_tone_lost")
    assert left.bound is Bound.AT_LEAST
    assert 15.0 < left.value < 36.0


def test_an_output_without_any_tone_is_not_judged(powered: Powered) -> None:
    left, right = powered("stuck_relay@left=1", seed=3).do(SAME).all("first_tone_lost")
    assert left.value is None
    assert "no tone at it, quiet or loud" in left.note
    assert abs(right.value) < 0.05


def test_without_a_step_that_listened_first_nothing_is_said(powered: Powered) -> None:
    reason = powered(seed=3).do(SAME.replace('of = "on"', 'of = "off"')).reason()
    assert "'off' has given no first tone" in reason


def test_the_films_are_those_that_other_steps_break_before_they_look() -> None:
    """Dry circuits are told below some tens of millivolts (common practice); the tone that a relay
    is awaited with is half a volt."""
    assert QUIET_V * math.sqrt(2.0) <= 0.1
    assert LOUD_V >= 1.0


@pytest.mark.parametrize("name", ["acceptance", "relays"])
def test_shipped_sequences_listen_first_where_they_switch_on_again(name: str) -> None:
    import tomllib

    steps = tomllib.loads(find("sequence", name, None).read_text(encoding="utf-8"))["step"]
    ids = [step["id"] for step in steps]
    first = next(step for step in steps if step["do"] == "first_tone")
    on = steps[ids.index(first["of"])]
    assert (on["do"], on["when"]) == ("switching_thump", "on")
    between = steps[ids.index("up_again") + 1 : ids.index(on["id"])]
    assert not between, "nothing may play a tone before"


@pytest.mark.parametrize(
    ("least_v", "kept"), [(0.003, True), (0.005, False)], ids=["85 mV", "0.14 V at the output"]
)
def test_a_generator_that_gives_no_small_level_gives_the_first_tone_as_quiet_as_it_can(
    powered: Powered, monkeypatch: pytest.MonkeyPatch, least_v: float, kept: bool
) -> None:
    unit = powered("dry_relay@left=0.5", seed=3)
    monkeypatch.setattr("seqrun.steps.common.drive.least_level", lambda view: least_v)
    left, _ = unit.do(SAME).all("first_tone_lost")
    if kept:
        assert left.value > 15.0
    else:
        assert left.value is None
        assert "the generator gives no less than 0.005 V" in left.note


def test_what_is_less_than_a_generator_gives_is_not_asked_of_it(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would refuse it, and end a powered run; or leave it out, and play what it did before."""
    monkeypatch.setattr("seqrun.steps.common.drive.least_level", lambda view: 0.02)
    small = '[[step]]\nid = "small"\ndo = "gain"\npower = "1 mW"\n'
    reason = powered(seed=3).do(small).reason()
    assert "the generator gives no less than 0.02 V" in reason


def test_what_was_seen_in_silence_stands_where_no_tone_can_be_given(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("seqrun.steps.first_tone.LOUD_V", 1e4)
    done = powered("thump@left=0.5", seed=3).do(SAME)
    on_left = done.all("thump")[2]
    assert on_left.value > 2.0
    left, _ = done.all("first_tone_lost")
    assert left.value is None
    assert "V would have to go in" in left.note


def test_a_contact_that_a_tone_was_through_before_is_not_called_good(powered: Powered) -> None:
    """Whoever asks whether the relay has closed already breaks the film that is looked for."""
    closed = '[[step]]\nid = "closed"\ndo = "await_output"\n'
    unit = powered("dry_relay@left=0.5", seed=3)
    done = unit.do(switched(closed) + FIRST)
    assert all(r.value is None for r in done.all("first_tone_lost"))
    assert "closed while the rails were raised" in done.all("first_tone_lost")[0].note


def test_a_lead_is_not_proved_by_less_than_a_generator_gives(
    powered: Powered, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would refuse it, and end a powered run: somebody is asked to look instead."""
    monkeypatch.setattr("seqrun.steps.common.contact.least_level", lambda view: 0.2)
    noise = '[[step]]\nid = "noise"\ndo = "output_noise"\nat = "out.left"\nrecords = 4\n'
    reason = powered("stuck_relay@left=1", seed=3).do(noise).reason()
    assert "the generator gives no less than 200 mV" in reason
