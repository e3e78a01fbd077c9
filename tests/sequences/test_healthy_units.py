"""Healthy units go through the shipped sequences to a stated outcome."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.values import Disposition, Verdict

Run = Callable[..., Any]


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("intake", "demo-2x40"),
        ("intake", "demo-mono"),  # the largest heatsink for its limit
        ("isolate", "demo-2x40"),
        ("sharing", "demo-mono"),
        ("supplies", "demo-receiver"),
        ("relays", "demo-receiver"),
        ("preamp", "demo-receiver"),
    ],
)
def test_it_is_accepted(run: Run, name: str, unit: str) -> None:
    done = run(name, unit=unit)
    assert done.outcome.disposition is Disposition.ACCEPT, done.outcome.reason
    assert done.outcome.safe.complete
    # a soak ends by its readings, looked at every two minutes: a third of the shorter ones
    assert done.announced_s == pytest.approx(
        done.outcome.bench_s, rel=0.25 if name == "intake" else 0.15
    )


def test_quick_takes_ten_minutes_of_bench_time_at_most(run: Run) -> None:
    done = run("quick", unit="demo-2x40")
    assert done.outcome.disposition is Disposition.ACCEPT, done.outcome.reason
    assert done.outcome.bench_s < 600.0


def test_intake_gives_no_power_to_a_load(run: Run) -> None:
    done = run("intake", unit="demo-2x40")
    assert done.said("quick", "acceptance")
    assert not done.of("output_power")
    assert done.of("sink_rise")


def test_rated_power_in_a_cool_room_is_no_claim(run: Run) -> None:
    """The room of the demo bench has 23 °C, and 16 CFR 432.3(d) asks for 25 °C (text of 2006)."""
    done = run("power-rating", unit="demo-mono")
    assert done.outcome.disposition is Disposition.HOLD
    assert done.ids(Verdict.NOT_MEASURED) == {"still_air"}
    frequencies = {j.step for j in done.of("output_power")}
    assert frequencies == {f"power.{f}" for f in ("20Hz", "100Hz", "1kHz", "5kHz", "20kHz")}
    # An hour at one eighth, and five times five minutes at full power.
    assert done.outcome.bench_s > 3600.0 + 5 * 300.0


def test_loudness_lifts_the_bass_and_riaa_keeps_to_its_curve(run: Run) -> None:
    done = run("preamp", unit="demo-receiver")
    (lift, _) = done.readings("loudness", "control_effect")
    assert lift.value > 1.0
    assert all(abs(r.value) < 0.5 for r in done.readings("riaa", "riaa_deviation"))


def test_balance_to_the_left_leaves_the_left_as_it_is(run: Run) -> None:
    done = run("preamp", unit="demo-receiver")
    left, right = done.readings("balance_left", "control_effect")
    assert left.value == pytest.approx(0.0, abs=0.1)
    assert right.value == pytest.approx(-6.0, abs=0.2)  # half the voltage
