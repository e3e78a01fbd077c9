"""A unit with two faults, mended one after the other: what its owner is told holds both."""

from __future__ import annotations

from pathlib import Path

import pytest
from next_steps import call, next_step, on_record

from seqrun.case.stay import case_of

RESULTS = Path("results")


def test_the_sheet_names_both_causes_and_how_the_unit_came_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    first = on_record(RESULTS, "T 2", "acceptance", "reject")
    for cause in ("bias too high", "treble lost"):
        assert call("unit", "T 2", "--work-done", f"mended: {cause}")[0] == 0
        if cause == "bias too high":
            on_record(RESULTS, "T 2", "acceptance", "reject")
    on_record(RESULTS, "T 2", "acceptance", "accept")
    step = next_step("T 2", RESULTS)
    assert step[0] == "release"
    assert step[step.index("--fault-found") + 1] == "bias too high; treble lost"
    assert step[step.index("--before") + 1] == first
    code, _, err = call(*step)
    assert code == 0, err


def test_a_run_that_somebody_cut_short_says_nothing_of_the_unit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    on_record(RESULTS, "I 1", "acceptance", "interrupted")
    on_record(RESULTS, "I 2", "acceptance", "tripped")
    assert not case_of(RESULTS, "I 1").faulty
    assert case_of(RESULTS, "I 2").faulty
