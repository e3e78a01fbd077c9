"""What is before the power stage of a receiver belongs to it: its sockets and its controls."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from acceptance_runs import Done, run
from shortened import UNHEARD, cut_short

from demo_sim.amplifier.spec import ChannelSpec

Change = Callable[[ChannelSpec], ChannelSpec]
UNASKED = ("cold", "share_cold", "held", "first_tone", "just_on", "low_rails", "separation")


def sectioned(**changed: float) -> Change:
    def of(c: ChannelSpec) -> ChannelSpec:
        assert c.section is not None
        return replace(c, section=replace(c.section, **changed))

    return of


def done(tmp_path: Path, *faults: str) -> Done:
    """As far as that, on the shipped receiver."""
    without = [f for f in UNHEARD if f not in ("gain_hot",)]
    sequence = cut_short(tmp_path, "generator_home", without)
    return run(tmp_path, *faults, unit="demo-receiver", sequence=sequence, seed=3)


def test_a_sound_receiver_passes_from_its_sockets_on(tmp_path: Path) -> None:
    made = done(tmp_path)
    assert {"gain_line", "balance_line", "flat_line", "tracking"} <= made.steps("pass")
    assert not made.steps("fail", "conditional fail", "not measured")


@pytest.mark.parametrize(
    ("changed", "caught"),
    [
        ({"tracking_db": 8.0}, "tracking"),
        ({"line_gain": 0.5}, "gain_line"),
        ({"line_gain": 2.2}, "balance_line"),
    ],
    ids=["worn track", "weak input", "one side"],
)
def test_what_is_wrong_before_the_power_stage_is_caught(
    tmp_path: Path, made_up: Any, changed: dict[str, float], caught: str
) -> None:
    fault = made_up(f"before_{caught}", sectioned(**changed))
    assert caught in done(tmp_path, fault).steps("fail")
