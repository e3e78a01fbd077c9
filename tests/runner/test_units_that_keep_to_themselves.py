"""A unit whose output devices cannot be reached: what stands in for them, and what then is held."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Verdict

STAND_IN = """
[[step]]
id = "idle_supply"
do = "supply_current"
stands_in_for = ["cold", "share"]
limit = LIMIT
"""
DEVICES = """
[[step]]
id = "cold.{ballast}"
each = "ballast"
do = "device_current"
at = "ballast.{ballast}"
limit = { between = ["idle_current_low", "idle_current_high"] }
[[step]]
id = "share.{bank}"
each = "bank"
do = "sharing"
of = "cold.{bank}"
limit = { at_most = "30 %" }
[[step]]
id = "offset.left"
do = "dc_voltage"
at = "out.left"
only_if = "cold.* passed"
limit = { between = ["-50 mV", "50 mV"] }
"""
FITS = '{ between = ["20 mA", "400 mA"] }'


@pytest.fixture
def run(
    tmp_path: Path, short_sequence: Callable[..., str], closed_sheet: Callable[[str], str]
) -> Callable[[str], Outcome]:
    def run(steps: str) -> Outcome:
        plan, files = prepare(short_sequence(steps), "demo", closed_sheet("unknown"))
        options = Options("T-1", "", tmp_path / "r")
        return execute(plan, files, None, Watcher(), options, Interrupts())

    return run


def test_a_stand_in_that_passes_lets_the_unit_be_accepted_and_the_reason_names_both(
    run: Callable[[str], Outcome],
) -> None:
    outcome = run(STAND_IN.replace("LIMIT", FITS) + DEVICES)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert "not accessible on this unit: cold.left.upper.1" in outcome.reason
    assert "idle_supply stood in" in outcome.reason
    closed = [j for j in outcome.judged if j.step.startswith("cold.")]
    assert len(closed) == 8
    assert all(j.verdict is Verdict.NOT_MEASURED for j in closed)
    assert all("this unit" in j.note or "unknown" in j.note for j in closed)
    # what waits for the devices to pass is done once that which stands in for them has
    assert any(j.step == "offset.left" and j.value is not None for j in outcome.judged)


def test_without_a_stand_in_it_holds(run: Callable[[str], Outcome]) -> None:
    assert run(DEVICES).disposition is Disposition.HOLD


def test_a_stand_in_for_some_of_it_holds_for_the_rest(run: Callable[[str], Outcome]) -> None:
    some = STAND_IN.replace("LIMIT", FITS).replace('["cold", "share"]', '"cold"')
    outcome = run(some + DEVICES)
    assert outcome.disposition is Disposition.HOLD
    assert "share.left.upper" in outcome.reason


def test_a_stand_in_without_a_limit_stands_in_for_nothing(run: Callable[[str], Outcome]) -> None:
    outcome = run(STAND_IN.replace("limit = LIMIT", "") + DEVICES)
    assert outcome.disposition is Disposition.HOLD


def test_a_stand_in_that_fails_rejects(run: Callable[[str], Outcome]) -> None:
    outcome = run(STAND_IN.replace("LIMIT", '{ at_most = "5 mA" }') + DEVICES)
    assert outcome.disposition is Disposition.REJECT


def test_a_stand_in_does_nothing_for_what_the_bench_lacks(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    """Four-wire ohms that the meter does not have are the bench's lack: it holds all the same."""
    steps = """
    [[step]]
    id = "offset.right"
    do = "dc_voltage"
    at = "out.right"
    stands_in_for = "sink"
    limit = { between = ["-50 mV", "50 mV"] }
    [[step]]
    id = "sink"
    do = "temperature"
    at = "sensor.sink"
    limit = { at_most = "80 °C" }
    """
    plan, files = prepare(short_sequence(steps), "demo:two_wire_meter", None)
    assert [out.of_unit for out in plan.left_out if out.id == "sink"] == [False]
    options = Options("T-1", "", tmp_path / "r")
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    assert outcome.disposition is Disposition.HOLD, outcome.reason
