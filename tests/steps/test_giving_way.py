"""An output that gives way once it has been loud for some seconds, and what only looks like it."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from demo_sim.amplifier.changeable import When
from demo_sim.amplifier.passing import Intermittent
from demo_sim.amplifier.spec import ChannelSpec
from seqrun.files.shipped import find
from seqrun.quantity import parse
from seqrun.steps.giving_way import PowerFall
from seqrun.values import Bound

Powered = Callable[..., Any]
HELD = '[[step]]\nid = "held"\ndo = "power_fall"\npower = "0.9 * rated_power"\nfor = "15 s"\n'
SHORT = HELD.replace("15 s", "5 s")


def early(**changed: float) -> Callable[[ChannelSpec], ChannelSpec]:
    """A protection that takes 4 s of more than 1 A for too much."""
    by = {"loud_a": 1.0, "loud_s": 4.0, **changed}
    return lambda c: replace(c, relay=replace(c.relay, **by))


def test_a_sound_unit_holds_its_level(powered: Powered) -> None:
    read = powered().do(HELD).all("power_fall")
    assert [r.channel for r in read] == ["left", "right"]
    for one in read:
        assert one.bound is Bound.EXACT
        assert 0.0 <= one.value < 0.02
        assert 0.0 < one.expanded_uncertainty < 0.05


def test_a_protection_that_lets_go_after_seconds_of_music_is_seen_and_timed(
    powered: Powered, made_up: Any
) -> None:
    unit = powered(made_up("lets_go_early", early(pull_in_s=3.0)))
    short = unit.do(HELD.replace("15 s", "2 s"))
    assert short.one("power_fall", "left").value < 0.02
    left, right = unit.do(HELD).all("power_fall")
    assert (left.bound, left.value) == (Bound.AT_LEAST, pytest.approx(10.5, abs=0.1))
    assert "let go after 4 s, back 3 s later" in left.note
    assert right.value is None  # it was held for four seconds alone
    assert "another output fell silent" in right.note


def test_what_gives_way_for_a_moment_counts_by_how_far(powered: Powered, made_up: Any) -> None:
    dip = Intermittent(9.0, 2.0, scatter=0.0, lost=0.2)
    read = powered(made_up("gives_less_for_a_moment", lambda c: replace(c, contact=dip))).do(HELD)
    assert read.one("power_fall", "left").value == pytest.approx(-20.0 * math.log10(0.8), abs=0.02)
    assert read.one("power_fall", "right").value < 0.02


def test_what_tires_after_most_of_a_minute_is_seen_by_the_shipped_acceptance(
    powered: Powered, made_up: Any
) -> None:
    """2 dB quieter after 40 s of nearly rated power: as long is held, and that is judged."""
    shipped = tomllib.loads(find("sequence", "acceptance").read_text(encoding="utf-8"))["step"]
    (held,) = (one for one in shipped if one["do"] == "power_fall")
    tires = When(load_above_a=1.8, for_s=40.0, left_s=20.0)
    fault = made_up(
        "tires_in_a_minute",
        lambda c: replace(
            c,
            when=tires,
            other=lambda o: replace(
                o, legs=tuple(replace(leg, gain=leg.gain * 10.0**-0.1) for leg in o.legs)
            ),
        ),
    )
    left, right = powered(fault).do(HELD.replace("15 s", held["for"])).all("power_fall")
    most = parse(held["limit"]["at_most"], "dB")
    assert right.value < most < left.value == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize(
    ("lead", "why"),
    [
        ("scope.1", "and the supply gives as much as before"),
        ("generator.1", "and has not come back"),
    ],
)
def test_a_lead_that_comes_off_meanwhile_is_no_protection(
    powered: Powered, monkeypatch: pytest.MonkeyPatch, lead: str, why: str
) -> None:
    unit = powered(seed=62)
    node, hold = unit.world.node_of(lead), PowerFall._hold

    def then_off(step: PowerFall, ctx: Any, drive: Any) -> Any:
        capture, looks = drive.capture, iter(range(1000))

        def with_hands(**asked: Any) -> Any:
            if next(looks) == 4:
                unit.world.disconnect(lead)
            return capture(**asked)

        monkeypatch.setattr(drive, "capture", with_hands)
        return hold(step, ctx, drive)

    monkeypatch.setattr(PowerFall, "_hold", then_off)
    reason = unit.do(SHORT).reason()
    unit.world.connect(lead, node)
    assert "the tone has gone from out.left" in reason
    assert why in reason


def test_hands_cannot_hold_a_power_and_look_meanwhile(powered: Powered) -> None:
    entry = PowerFall.model_validate({"id": "held", "do": "power_fall", "for": "15 s"})
    assert {"scope", "supply"} <= entry.needs(powered().view).by_itself


def test_the_shipped_acceptance_holds_rated_power_for_longer_than_it_takes_to_read_it() -> None:
    import tomllib

    text = find("sequence", "acceptance", None).read_text(encoding="utf-8")
    (held,) = [s for s in tomllib.loads(text)["step"] if s["do"] == "power_fall"]
    assert held["power"] == "rated_power"
    assert parse(held["for"], "s") >= 10.0
