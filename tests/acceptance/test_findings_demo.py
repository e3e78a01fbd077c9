"""Findings of whole acceptances on the simulated bench."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from shortened import WEAK

from seqrun.cli.causes import findings_command
from seqrun.errors import UsageError
from seqrun.report.findings.words import findings_on_record
from seqrun.runner.findings import findings_of_run

SHEET = """
currency = "EUR"
hourly_rate = 45
value_working = [150, 220]
[repair.any]
hours = [1, 3]
"""


def test_a_healthy_unit_is_given_no_fault(acceptance: Callable) -> None:
    found = findings_on_record(acceptance().record.facts)
    assert found is not None
    assert not found.faulty


@pytest.mark.parametrize(
    ("fault", "to", "cause"),
    [
        ("dc_offset@left", None, "dc_offset.left"),
        ("open_device@right", "share_cold", "open_device.right"),
        ("bias_low@left", "share_cold", "bias_low.left"),
        ("bias_high@left", "share_cold", "bias_high.left"),
    ],
)
def test_a_fault_is_named_first(
    acceptance: Callable, fault: str, to: str | None, cause: str
) -> None:
    found = findings_on_record(acceptance(fault, to=to).record.facts)
    assert found is not None
    assert found.causes[0].id == cause


def test_a_supply_that_gives_way_is_named_first(acceptance: Callable) -> None:
    done = acceptance("weak_supply", to="power", without=WEAK)
    found = findings_on_record(done.record.facts)
    assert found is not None
    assert found.causes[0].id == "weak_supply"


def test_a_record_read_again_gives_the_findings_it_kept(acceptance: Callable) -> None:
    record = acceptance("bias_high@left", to="share_cold").record
    kept, again = findings_on_record(record.facts), findings_of_run(record)
    assert kept is not None and again is not None
    assert [c.id for c in again.causes] == [c.id for c in kept.causes]


def test_a_healthy_channel_measured_good_beside_a_bad_one(acceptance: Callable) -> None:
    found = findings_of_run(acceptance("bias_high@left", to="share_cold").record)
    assert found is not None
    states = {section.id: section.state for section in found.sections}
    assert states["output_stage.left"] == "suspect"
    assert states["output_stage.right"] != "suspect"


def test_the_command_weighs_repair_against_salvage(
    acceptance: Callable, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = acceptance("bias_high@left", to="share_cold")
    sheet = tmp_path / "costs.toml"
    sheet.write_text(SHEET, encoding="utf-8")
    code = findings_command(done.outcome.run_id, done.outcome.folder.parent, costs=str(sheet))
    text = capsys.readouterr().out
    assert code == 0
    assert "bias of the left channel set too high" in text
    assert "salvage" in text


def test_a_record_without_its_unit_sheet_is_refused(acceptance: Callable) -> None:
    from dataclasses import replace

    with pytest.raises(UsageError, match="unit sheet"):
        findings_of_run(replace(acceptance().record, files=()))
