"""The fault that a sequence is about is caught by it, and the person is told what to do."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.values import Disposition, Verdict

Run = Callable[..., Any]


def test_intake_stops_at_a_short_while_the_rails_are_still_low(run: Run) -> None:
    done = run("intake", "shorted_device@left")
    assert done.outcome.disposition is Disposition.ABORTED
    assert "bring_up, stage 2 of 15" in done.outcome.reason
    assert done.outcome.safe.complete


def test_intake_does_not_heat_a_unit_whose_idle_currents_are_wrong(run: Run) -> None:
    done = run("intake", "mismatched_devices@left=0.5")
    assert done.outcome.disposition is Disposition.REJECT
    assert {"cold.left.upper.2", "cold.left.lower.2"} <= done.ids(Verdict.FAIL)
    assert not done.of("sink_rise")
    assert done.said("Idle currents are wrong")


def test_intake_keeps_a_unit_with_far_too_much_bias_no_longer_under_power(run: Run) -> None:
    done = run("intake", "bias_high@left=0.5")
    assert done.outcome.disposition is Disposition.REJECT
    ballasts = {f"cold.left.{half}.{n}" for half in ("upper", "lower") for n in (1, 2)}
    assert done.ids(Verdict.FAIL) == {"idle_supply", "idle_still", *ballasts}
    assert not done.of("noise")  # nothing came after it but the way down
    assert done.readings("discharge")


def test_intake_of_a_runaway_ends_before_it_is_hot(run: Run) -> None:
    done = run("intake", "thermal_runaway@left=0.9")
    assert done.outcome.disposition is Disposition.ABORTED
    assert "heat_idle" in done.outcome.reason


def test_intake_of_a_relay_that_stays_open_judges_only_what_it_can_see(run: Run) -> None:
    done = run("intake", "stuck_relay@left")
    assert done.outcome.disposition is Disposition.HOLD
    assert done.said("left: nothing comes out")
    assert not done.said("nothing is wrong")
    assert done.readings("noise.right")
    assert not done.readings("noise.left")


def test_isolation_finds_hum_of_the_power_stage_in_as_many_cuts_as_halving_needs(run: Run) -> None:
    done = run("isolate", "hum@left=0.5", unit="demo-receiver")
    assert done.outcome.disposition is Disposition.REJECT
    assert "pre_hum.left" in done.ids(Verdict.FAIL)
    assert "pre_hum.right" in done.ids(Verdict.PASS)
    assert len(done.readings("pre_hum.left", "disturbance_cut")) <= 3  # five suspects
    (left,) = done.readings("pre_hum.left", "suspects_left")
    assert left.note == "power stage"
    assert done.said("volume down", "ruled out: source and its lead, selector and input stage")


def test_isolation_of_dc_on_a_bridge_reads_between_its_terminals(run: Run) -> None:
    done = run("isolate", "dc_offset@right=0.3", unit="demo-bridged")
    (dc,) = done.readings("offset.right", "offset_disturbance")
    assert dc.value == pytest.approx(0.3, abs=0.02)
    assert "comes from: power stage" in dc.note


def test_sharing_names_the_device_that_hogs_once_it_is_hot(run: Run) -> None:
    done = run("sharing", "dry_thermal_joint@left=0.6")
    assert done.outcome.disposition is Disposition.REJECT
    assert "share_hot.left.upper" in done.ids(Verdict.FAIL)
    (cold,) = done.readings("busiest_cold.left.upper")
    (hot,) = done.readings("busiest_hot.left.upper")
    assert hot.note.startswith("left.upper.1")
    assert hot.value > cold.value + 20.0
    assert "slope.left.upper.1" in done.ids(Verdict.FAIL)


def test_supplies_finds_a_feed_that_sags(run: Run) -> None:
    done = run("supplies", "weak_supply=0.6")
    assert done.outcome.disposition is Disposition.REJECT
    assert done.ids(Verdict.FAIL) == {"sag"}


@pytest.mark.parametrize(
    ("fault", "step"),
    [("resistive_relay@left=0.5", "contact.left"), ("stuck_relay@left=0.3", "pull_in")],
)
def test_relays_finds_burnt_contacts_and_a_slow_coil(run: Run, fault: str, step: str) -> None:
    done = run("relays", fault)
    assert done.outcome.disposition is Disposition.REJECT
    assert done.ids(Verdict.FAIL) == {step}
