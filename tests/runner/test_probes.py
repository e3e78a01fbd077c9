"""Which scope probe goes where."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.runner.opening import read_bench


@pytest.mark.parametrize("sheet", ["demo-2x40", "demo-bridged"])
def test_outputs_without_a_fixed_probe_each_get_one_of_their_own(
    tmp_path: Path, sheet: str
) -> None:
    text = demo_sim.open_bench(load_unit(sheet).plain(), unit_sheet=sheet).bench_toml()
    without = re.sub(r"\[\[lead\]\]\s*from = \"scope\.\d\"\s*to = \"[^\"]*\"\s*", "", text)
    assert without != text
    file = tmp_path / "bench.toml"
    file.write_text(without, encoding="utf-8")
    view = read_bench(str(file), None).view
    probes = [n for c in view.unit.channels for n in view.scope_on(f"out.{c}")[:2] if n]
    assert len(probes) == len(set(probes)) == len(view.unit.channels) * len(view.unit.sides)
