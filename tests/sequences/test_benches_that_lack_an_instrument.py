"""A step that the bench cannot do tells nothing of the unit: it is held, and given no fault."""

from __future__ import annotations

import pytest

from seqrun.study.acceptance import HEALTHY, StudyCase, run_case


@pytest.mark.parametrize("sequence", ["intake", "isolate", "quick", "relays", "acceptance"])
@pytest.mark.parametrize("lacks", ["no_supply", "no_meter"])
def test_a_unit_that_nobody_could_power_is_held_and_has_no_fault(sequence: str, lacks: str) -> None:
    done = run_case(StudyCase(sequence, "demo-2x40", f"demo:{lacks}", HEALTHY, 1))
    assert (done.refused, done.disposition, done.cause) == ("", "hold", "")
    assert "not measured: " in done.reason


@pytest.mark.parametrize("lacks", ["no_generator", "no_scope"])
def test_a_unit_whose_outputs_nobody_heard_is_held_and_has_no_fault(lacks: str) -> None:
    done = run_case(StudyCase("quick", "demo-2x40", f"demo:{lacks}", HEALTHY, 1))
    assert (done.refused, done.disposition, done.cause) == ("", "hold", "")
