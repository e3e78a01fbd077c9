"""A step that was left out never helps a unit to an accept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Verdict

STEPS = """
[[step]]
id = "offset"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "unlimited"
do = "dc_voltage"
at = "out.right"
[[step]]
id = "again"
do = "dc_voltage"
at = "out.right"
only_if = "CONDITION"
limit = { between = ["-50 mV", "50 mV"] }
"""


@pytest.mark.parametrize(
    ("condition", "disposition"),
    [
        ("offset passed", Disposition.ACCEPT),  # it was done
        ("offset failed", Disposition.ACCEPT),  # not needed
        ("offset not measured", Disposition.ACCEPT),  # not needed
        ("unlimited passed", Disposition.HOLD),  # can never come: nothing was decided
    ],
)
def test_a_limit_that_waits_for_a_pass_that_never_comes_holds_the_unit(
    tmp_path: Path, short_sequence: Callable[..., str], condition: str, disposition: Disposition
) -> None:
    sequence = short_sequence(STEPS.replace("CONDITION", condition))
    plan, files = prepare(sequence, "demo", None)
    outcome = execute(
        plan, files, None, Watcher(), Options("T-1", "", tmp_path / "r"), Interrupts()
    )
    assert outcome.disposition is disposition, outcome.reason


def test_a_limit_that_a_step_makes_no_reading_for_holds_the_unit(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    """A kind of step may forget a way through it: what it was to judge is then missing."""
    mocker.patch("seqrun.steps.levels.DcVoltage.perform", return_value=())
    step = STEPS.partition('[[step]]\nid = "unlimited')[0]
    plan, files = prepare(short_sequence(step), "demo", None)
    outcome = execute(
        plan, files, None, Watcher(), Options("T-1", "", tmp_path / "r"), Interrupts()
    )
    assert outcome.disposition is Disposition.HOLD
    assert "offset" in outcome.reason
    (missing,) = [j for j in outcome.judged if j.step == "offset"]
    assert missing.verdict is Verdict.NOT_MEASURED


@pytest.mark.parametrize("missing", ["meter", "supply"])
def test_a_bench_that_can_judge_nothing_leaves_a_hold_on_record_and_switches_nothing_on(
    tmp_path: Path, missing: str
) -> None:
    plan, files = prepare("intake", f"demo:no_{missing}", None)
    options = Options("N-1", "", tmp_path)
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    assert outcome.disposition is Disposition.HOLD
    assert f"the bench has no {missing}" in outcome.reason
    assert {j.verdict for j in outcome.judged} == {Verdict.NOT_MEASURED}
    log = next(tmp_path.glob("*/messages.log")).read_text(encoding="utf-8")
    assert "supply > *IDN?" in log or missing == "supply"
    assert "OUTP" not in "".join(line for line in log.splitlines() if " ON" in line)
    rows = (tmp_path / "readings.csv").read_text(encoding="utf-8")
    assert f"the bench has no {missing}" in rows
