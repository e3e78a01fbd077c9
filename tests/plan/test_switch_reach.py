"""What a bench's switch does not reach is told before power."""

from __future__ import annotations

from pathlib import Path

import demo_sim
from seqrun.files.shipped import find
from seqrun.runner.preparation import prepare

WORDS = """
[words.terminal]
"meter.hi" = "1"
"meter.lo" = "2"
[words.node]
"rail.pos" = "01"
"rail.neg" = "02"
"ground" = "03"
"out.right" = "04"
"""


def test_a_node_that_the_matrix_is_not_wired_for_is_named(tmp_path: Path) -> None:
    driver = find("driver", "generic-switch").read_text(encoding="utf-8")
    (tmp_path / "matrix.toml").write_text(driver + WORDS, encoding="utf-8")
    text = demo_sim.open_bench(with_switch=True, unit_sheet="demo-2x40").bench_toml()
    bench = tmp_path / "bench.toml"
    bench.write_text(text.replace('"generic-switch"', '"matrix.toml"'), encoding="utf-8")
    plan, _ = prepare("quick", str(bench), None)
    told = [line for line in plan.warnings if "does not reach" in line]
    assert any("out.left" in line and "meter.hi" in line for line in told)
    assert not any("out.right" in line and "meter.hi" in line for line in told)


def test_without_a_switch_nothing_is_told() -> None:
    plan, _ = prepare("quick", "demo", None)
    assert not any("does not reach" in line for line in plan.warnings)
