"""Who follows what intake, quick and isolate say is led to the fault, or to what can see it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.judge.findings import Findings
from seqrun.report.findings.words import findings_on_record
from seqrun.values import Disposition, Verdict

Run = Callable[..., Any]


def findings(done: Any) -> Findings:
    found = findings_on_record(done.facts)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("fault", "cause"),
    [
        ("bias_high@left=0.5", "bias_high.left"),
        ("mismatched_devices@left=0.5", "mismatched_devices.left"),
        ("thermal_runaway@left=0.3", "thermal_runaway.left"),
        ("dry_thermal_joint@left=0.6", "dry_thermal_joint.left"),
        ("stuck_relay@left", "stuck_relay.left"),
        ("loss_of_gain@left=1", "loss_of_gain.left"),
        ("swapped_leads", "swapped_leads"),
    ],
)
def test_intake_names_the_fault_and_its_channel(run: Run, fault: str, cause: str) -> None:
    done = run("intake", fault)
    assert done.outcome.disposition is not Disposition.ACCEPT
    assert findings(done).faulty
    assert findings(done).causes[0].id == cause


def test_a_relay_that_closes_late_is_no_mark_against_the_other_channel(run: Run) -> None:
    done = run("intake", "stuck_relay@left=0.3")
    late = {r.channel for r in done.readings("pull_in") if r.value > 13.0}
    assert late == {"left"}
    assert done.said("closes later than the sheet allows")


def test_intake_says_which_sequence_sees_what_it_cannot(run: Run) -> None:
    done = run("intake", "weak_supply=0.6", "resistive_relay@left=0.6")
    assert done.outcome.disposition is Disposition.ACCEPT
    assert not findings(done).faulty
    assert done.said("What intake cannot see", "'supplies'", "'relays'", "'sharing'", "'quick'")


def test_intake_of_a_unit_with_dc_does_not_blame_the_probe(run: Run) -> None:
    done = run("intake", "dc_offset@left=0.6")
    assert done.said("left: DC at the output", "'isolate'")
    assert not done.said("probe")
    assert not done.readings("gain.left")
    assert done.readings("gain.right")


def test_a_sensor_in_the_air_is_told_from_a_unit_that_runs_away(run: Run) -> None:
    done = run("intake", "sensor_off=1")
    assert done.outcome.disposition is Disposition.HOLD
    assert done.said("sensor sits tight")
    assert not done.said("runaway begins")


@pytest.mark.parametrize(
    ("sequence", "unit"),
    [
        ("intake", "demo-2x40"),
        ("intake", "demo-bridged"),
        ("intake", "demo-receiver"),
        ("quick", "demo-2x40"),
        ("isolate", "demo-receiver"),
        ("relays", "demo-bridged"),
    ],
)
def test_a_healthy_unit_is_accepted_and_given_no_fault(run: Run, sequence: str, unit: str) -> None:
    done = run(sequence, unit=unit)
    assert done.outcome.disposition is Disposition.ACCEPT, done.outcome.reason
    assert not findings(done).faulty


def test_quick_is_held_with_a_sensor_in_the_air_although_every_limit_is_met(run: Run) -> None:
    done = run("quick", "sensor_off=1")
    assert done.ids(Verdict.FAIL) == set()
    assert done.outcome.disposition is Disposition.HOLD
    assert findings(done).causes[0].id == "sensor_off"


def test_quick_tells_the_channel_whose_current_creeps(run: Run) -> None:
    done = run("quick", "thermal_runaway@right=0.3")
    assert done.ids(Verdict.FAIL) == {"idle_warm"}
    assert findings(done).causes[0].id == "thermal_runaway.right"


@pytest.mark.parametrize("sequence", ["quick", "relays", "sharing"])
def test_swapped_leads_end_a_run_before_power_and_are_named(run: Run, sequence: str) -> None:
    done = run(sequence, "swapped_leads")
    assert done.outcome.disposition is Disposition.HOLD
    assert not done.readings("bring_up")
    assert "the meter's leads are swapped" in done.outcome.reason
    assert findings(done).causes[0].id == "swapped_leads"


def test_a_run_that_ended_before_power_is_no_evidence_about_what_power_would_show(run: Run) -> None:
    done = run("quick", "load_wrong@left=0.6")
    first = findings(done).causes[0]
    assert first.id == "load_wrong.left"
    assert not first.speaking_against


@pytest.mark.parametrize(
    ("fault", "unit", "cause"),
    [
        ("dc_offset@left=0.3", "demo-2x40", "offset_power.left"),
        ("hum@right=1", "demo-2x40", "hum_power.right"),
        ("noisy_device@left=0.6", "demo-2x40", "noise_power.left"),
        ("hum@left=0.6", "demo-receiver", "hum_power.left"),
    ],
)
def test_findings_of_isolation_say_what_its_cuts_have_left(
    run: Run, fault: str, unit: str, cause: str
) -> None:
    found = findings(run("isolate", fault, unit=unit))
    assert found.faulty
    assert found.causes[0].id == cause


@pytest.mark.parametrize(
    ("sequence", "fault", "cause"),
    [
        ("supplies", "weak_supply=0.6", "weak_supply"),
        ("relays", "stuck_relay@left=0.3", "stuck_relay.left"),
        ("relays", "resistive_relay@left=0.5", "resistive_relay.left"),
        ("sharing", "dry_thermal_joint@left=0.6", "dry_thermal_joint.left"),
    ],
)
def test_the_sequence_that_intake_points_to_names_the_fault(
    run: Run, sequence: str, fault: str, cause: str
) -> None:
    done = run(sequence, fault)
    assert done.outcome.disposition is not Disposition.ACCEPT
    assert findings(done).faulty
    assert findings(done).causes[0].id == cause


@pytest.mark.parametrize(
    ("unit", "fault", "cause"),
    [
        ("demo-bridged", "dead_half_bridge@right=1", "dead_half_bridge.right"),
        ("demo-receiver", "open_device@left=1", "open_device.left"),
        ("demo-mono", "stuck_relay=1", "stuck_relay.mono"),
    ],
)
def test_intake_names_the_fault_of_other_kinds_of_unit(
    run: Run, unit: str, fault: str, cause: str
) -> None:
    found = findings(run("intake", fault, unit=unit))
    assert found.faulty
    assert found.causes[0].id == cause


def test_a_dry_joint_where_one_device_is_alone_looks_like_a_runaway_and_both_are_named(
    run: Run,
) -> None:
    found = findings(run("intake", "dry_thermal_joint@left=0.6", unit="demo-receiver"))
    two = {cause.id for cause in found.causes[:2]}
    assert two == {"dry_thermal_joint.left", "thermal_runaway.left"}
    assert "thermometer" in found.apart
