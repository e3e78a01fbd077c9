"""Devices that drift apart as they warm, and those that are apart when cold already."""

from __future__ import annotations

import pytest
from findings_cases import read

from seqrun.files.findings.load import findings_for
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.judge.findings import weigh


@pytest.mark.parametrize(
    ("cold", "hot", "dry"),
    [
        ((0.04, 0.02), (0.40, 0.04), True),
        ((0.02, 0.04), (0.04, 0.26), True),
        ((0.148, 0.004), (0.124, 0.010), False),  # a healthy pair, chosen badly
        ((0.099, 0.150), (0.129, 0.144), False),
        ((0.186, 0.133), (0.167, 0.121), False),
    ],
)
def test_what_is_apart_when_cold_is_no_thermal_contact_that_is_lost(
    cold: tuple[float, float], hot: tuple[float, float], dry: bool
) -> None:
    file, unit = findings_for("sharing"), load_unit(find("unit", "demo-2x40", None))
    assert file is not None
    halves = ("left.upper", "left.lower")
    judged = [
        *(
            read("c", "current_sharing", 100.0 * v, "%", h)
            for v, h in zip(cold, halves, strict=True)
        ),
        read("soak", "sink_rise", 20.0, "K"),
        *(
            read("h", "current_sharing", 100.0 * v, "%", h)
            for v, h in zip(hot, halves, strict=True)
        ),
    ]
    found = weigh(patterns_for(file, unit), judged, "all limits are met", "sharing")
    words = " ".join(str(reason) for cause in found.causes for reason in cause.speaking_for)
    assert ("no longer share" in words) is dry
