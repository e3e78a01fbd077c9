"""A generator of one output, with a splitter into both inputs: one level for both channels, and
nothing that would have one of them driven alone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.errors import BenchLacks
from seqrun.runner.preparation import prepare
from seqrun.steps.common.drive import UNLIKE, drive_needs

BENCH = "demo:one_generator_output"
Powered = Callable[..., Any]
ALONE = """
[[step]]
id = "own"
do = "own_channel"
limit = { at_least = "20 dB" }
[[step]]
id = "apart"
do = "channel_separation"
limit = { at_least = "40 dB" }
[[step]]
id = "headroom"
do = "dynamic_headroom"
limit = { at_least = "0 dB" }
[[step]]
id = "overload"
do = "overload"
[[step]]
id = "beside"
do = "beside_other"
power = "rated_power / 2"
[[step]]
id = "gain"
do = "gain"
limit = { between = ["gain - 1 dB", "gain + 1 dB"] }
"""


def test_what_drives_one_channel_alone_is_left_out_before_power(
    short_sequence: Callable[..., str],
) -> None:
    plan, _ = prepare(short_sequence(ALONE), BENCH, None)
    reasons = {one.id: one.reason for one in plan.left_out}
    assert reasons.keys() == {"own", "apart", "headroom", "overload", "beside"}
    for reason in reasons.values():
        assert "one generator output feeds in.left and in.right" in reason
    assert "gain" in {action.id for action in plan.actions}
    assert prepare(short_sequence(ALONE), "demo", None)[0].left_out == ()


def test_a_load_beside_the_one_that_is_meant_is_rated_too(powered: Powered) -> None:
    both = drive_needs(powered(bench=BENCH).view, ["left"], 10.0, seconds=1.0)
    assert both.load_power_w == {"left": 10.0, "right": 10.0}
    assert drive_needs(powered().view, ["left"], 10.0, seconds=1.0).load_power_w == {"left": 10.0}


def test_a_power_is_reached_in_one_channel_and_not_passed_in_the_other(powered: Powered) -> None:
    unit = powered("loss_of_gain@left=0.1", bench=BENCH)
    read = unit.do('[[step]]\nid = "h"\ndo = "hold_power"\npower = "5 W"\nfor = "5 s"\n')
    held = {r.channel: r.value for r in read.all("held_power")}
    assert held["right"] == pytest.approx(5.0, rel=0.03)
    assert held["left"] < (1.0 - UNLIKE) * 5.0


def test_each_channels_own_power_and_clipping_are_found(powered: Powered) -> None:
    unit = powered("loss_of_gain@left=0.1", bench=BENCH)
    read = unit.do(
        '[[step]]\nid = "p"\ndo = "output_power"\n[[step]]\nid = "c"\ndo = "clipping_onset"\n'
    )
    for channel in ("left", "right"):
        at_one_percent = unit.truth.max_power(channel, 0.01)
        power, onset = (read.one(q, channel) for q in ("output_power", "clipping_onset"))
        assert power.value == pytest.approx(at_one_percent, abs=power.expanded_uncertainty)
        # A hard-clipped sine of 1 % has 1.0475 times the power of the onset (Fourier analysis).
        assert onset.value == pytest.approx(at_one_percent / 1.0475, abs=onset.expanded_uncertainty)


def test_the_plan_says_which_inputs_share_an_output(powered: Powered) -> None:
    view = powered(bench=BENCH).view
    assert view.driven_with("left") == ("left", "right")
    assert [view.generator_lead(c) for c in ("left", "right")] == [
        (1, "generator.1"),
        (1, "generator.1.2"),
    ]
    with pytest.raises(BenchLacks, match="no channel can be driven alone"):
        view.driven_alone(["right"])
    powered().view.driven_alone(["left", "right"])
