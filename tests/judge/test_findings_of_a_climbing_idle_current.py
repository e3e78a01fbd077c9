"""An idle current that climbs on and on is not measured, and that itself tells a cause."""

from __future__ import annotations

import pytest
from findings_cases import read

from seqrun.files.findings.load import findings_for
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.judge.findings import weigh
from seqrun.values import Verdict

WAITED = "waited 15 s for ballast.mono.upper.1 to settle within 1 mA"
CLIMBED = ": it climbs all the while, by 22.6 mA in 15.1 s"


@pytest.mark.parametrize("sequence", ["intake", "quick", "sharing", "acceptance"])
@pytest.mark.parametrize(
    ("way", "named"),
    [(CLIMBED, True), (CLIMBED.replace("climbs", "falls"), False), ("", False)],
)
def test_an_idle_current_that_climbs_while_it_is_waited_for_is_a_runaway(
    sequence: str, way: str, named: bool
) -> None:
    file, unit = findings_for(sequence), load_unit(find("unit", "demo-mono", None))
    assert file is not None
    idle = [
        read(
            f"cold.mono.{half}.1",
            "idle_current",
            None,
            "A",
            "mono",
            verdict=Verdict.NOT_MEASURED,
            note=WAITED + way,
        )
        for half in ("upper", "lower")
    ]
    found = weigh(patterns_for(file, unit), idle, "not measured: cold.mono.upper.1", sequence)
    assert found.faulty is named
    assert (found.causes[0].id == "thermal_runaway.mono") is named
