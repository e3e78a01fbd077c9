"""Every limit that ships says where it comes from: in the file, the plan, the report."""

from __future__ import annotations

import io
import tomllib
from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files.expression import Expression
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.shipped import shipped
from seqrun.files.unit.sheet import Unit
from seqrun.plan.outlook import limits_from
from seqrun.report.run.forecast import plan_summary
from seqrun.runner.preparation import prepare
from seqrun.steps.base import kinds

RELEASING = [
    path
    for path in shipped("sequence").values()
    if tomllib.loads(path.read_text(encoding="utf-8")).get("releases")
]


@pytest.mark.parametrize("path", shipped("sequence").values(), ids=lambda path: path.stem)
def test_every_limit_of_a_shipped_sequence_says_where_it_comes_from(path: Path) -> None:
    steps = tomllib.loads(path.read_text(encoding="utf-8"))["step"]
    assert [s["id"] for s in steps if "limit" in s and "from" not in s["limit"]] == []


def test_the_plan_lists_the_limits_by_where_they_come_from() -> None:
    plan, _ = prepare("acceptance", "demo", None)
    assert limits_from(plan)["power"] == "sheet"
    assert limits_from(plan)["offset.left"] == "common practice"
    told = io.StringIO()
    plan_summary(plan, told)
    text = told.getvalue()
    assert "Where the limits come from:" in text
    assert "not said" not in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_an_origin_that_there_is_not_is_refused() -> None:
    text = RELEASING[0].read_text(encoding="utf-8").replace('from = "sheet"', 'from = "hearsay"', 1)
    with pytest.raises(FileError, match="hearsay"):
        sequence_from_text(text, kinds())


def _limits(sheet: str) -> dict[str, float]:
    """What the acceptance asks of a unit at the low end: Hz, W and dB."""
    text = shipped("sequence")["acceptance"].read_text(encoding="utf-8")
    names = Unit.from_text(sheet).names()
    found = {}
    for step, side, unit in (
        ("bass", "at_most", "Hz"),
        ("power_low", "at_least", "W"),
        ("response_hot", "at_most", "dB"),
    ):
        (entry,) = [s for s in tomllib.loads(text)["step"] if s["id"] == step]
        found[step] = Expression(entry["limit"][side]).evaluate_in(unit, names)
    return found


@pytest.mark.parametrize(("farads", "corner_hz"), [(None, 0.0), (1000e-6, 19.9), (2200e-6, 9.04)])
def test_the_low_end_is_asked_for_what_the_sheet_s_capacitor_leaves_and_not_for_less(
    farads: float | None, corner_hz: float
) -> None:
    """Of 8 Ω and a band from 20 Hz. One that has lost a third of its value is not let through."""
    sheet = shipped("unit")["demo-single"].read_text(encoding="utf-8")
    rows = [row for row in sheet.splitlines() if not row.startswith(("output_cap", "rated_"))]
    rows += ['rated_power = "8 W"', 'rated_load = "8 Ω"', 'rated_band = ["20 Hz", "20 kHz"]']
    if farads is None:
        rows = [row.replace('rails = "single"', 'rails = "split"') for row in rows]
    else:
        rows.append(f'output_capacitor = "{1e6 * farads:g} µF"')
    asked = _limits("\n".join(rows))
    left = 1.0 / (1.0 + (corner_hz / 20.0) ** 2)
    worn = 1.0 / (1.0 + (1.5 * corner_hz / 20.0) ** 2)
    assert asked["bass"] == pytest.approx(max(20.0, 1.25 * corner_hz), rel=0.01)
    assert asked["power_low"] == pytest.approx(8.0 * min(1.0, 1.25 * left), rel=0.01)
    assert asked["response_hot"] == pytest.approx(1.5 + 1.85 * (1.0 / left - 1.0), rel=0.01)
    if farads == 1000e-6:
        assert 1.5 * corner_hz > asked["bass"]
        assert worn * 8.0 < asked["power_low"]
