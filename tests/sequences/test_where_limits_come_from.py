"""Every limit that ships says where it comes from: in the file, the plan, the report."""

from __future__ import annotations

import io
import tomllib
from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.shipped import shipped
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
