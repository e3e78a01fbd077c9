"""A unit without power is quiet, cool, without offset and draws nothing: none of that passes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from short_runs import run

from seqrun.errors import NotMeasured
from seqrun.files.sequence.load import load_sequence
from seqrun.files.shipped import find
from seqrun.instruments.supply import DrivenSupply
from seqrun.runner.events import Watcher
from seqrun.runner.opening import BenchFiles
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.base import kinds
from seqrun.values import Disposition, Verdict

IDLE = """
[[step]]
id = "idle"
do = "supply_current"
limit = { at_most = "2 * supply_idle" }
"""
POWERING = ("intake", "isolate", "noise-hunt", "sharing", "quick", "acceptance", "power-rating")
POWERING += ("preamp", "supplies", "relays")


def test_what_needs_a_powered_unit_is_not_measured_when_the_rails_were_not_seen_to_come_up(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    mocker.patch.object(DrivenSupply, "constant_current", side_effect=NotMeasured("garbled"))
    outcome = run(tmp_path, short_sequence(IDLE))
    (idle,) = [j for j in outcome.judged if j.step == "idle"]
    assert idle.verdict is Verdict.NOT_MEASURED
    assert "not seen to come up" in idle.reading.note
    assert outcome.disposition is Disposition.HOLD


class SwitchesOff(Watcher):
    """Somebody switches the bench supply off at its front when a step begins."""

    files: BenchFiles | None = None

    def step_started(self, index: int, step_id: str, what: str, seconds: float) -> None:
        if step_id == "idle" and self.files is not None:
            self.files.demo.devices["supply"].receive(b"OUTP OFF\n", True)


def test_a_current_of_nothing_from_a_supply_that_is_off_is_not_measured(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    watcher = SwitchesOff()
    plan, watcher.files = prepare(short_sequence(IDLE), "demo", None)
    options = Options("T-1", "", tmp_path)
    outcome = execute(plan, watcher.files, None, watcher, options, Interrupts())
    idle = [j for j in outcome.judged if j.step == "idle"]
    assert {j.verdict for j in idle} == {Verdict.NOT_MEASURED}
    assert all("supply is off" in j.reading.note for j in idle)


def test_a_rail_that_fell_behind_a_supply_that_cannot_tell_is_told(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    mocker.patch.object(DrivenSupply, "has", lambda _, what: what != "enabled")
    waits = IDLE.replace(
        "limit", 'settle = { within = "5 mA", for = "9 s", at_most = "60 s" }\nlimit'
    )
    watcher = SwitchesOff()
    plan, watcher.files = prepare(short_sequence(waits), "demo", None)
    options = Options("T-1", "", tmp_path)
    outcome = execute(plan, watcher.files, None, watcher, options, Interrupts())
    assert any("was at 30" in j.reading.note for j in outcome.judged if j.step == "idle")


@pytest.mark.parametrize("name", POWERING)
def test_a_shipped_sequence_ends_when_the_bring_up_was_not_measured(name: str) -> None:
    sequence = load_sequence(find("sequence", name), kinds())
    ramps = [entry for entry in sequence.step if entry["do"] == "ramp_supply"]
    assert ramps and all(entry.get("stop_if_not_measured") for entry in ramps)
