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


def warned(folder: Path, words: str) -> list[str]:
    """What a plan says that a matrix with these words in its driver does not reach."""
    driver = find("driver", "generic-switch").read_text(encoding="utf-8")
    (folder / "matrix.toml").write_text(driver + words, encoding="utf-8")
    text = demo_sim.open_bench(with_switch=True, unit_sheet="demo-2x40").bench_toml()
    bench = folder / "bench.toml"
    bench.write_text(text.replace('"generic-switch"', '"matrix.toml"'), encoding="utf-8")
    plan, _ = prepare("quick", str(bench), None)
    return [line for line in plan.warnings if "does not reach" in line]


def test_a_matrix_that_lists_only_its_terminals_or_only_its_nodes_reaches_those_with_all_others(
    tmp_path: Path,
) -> None:
    rows, columns = WORDS.split("[words.node]")
    by_rows, by_columns = warned(tmp_path, rows), warned(tmp_path, f"[words.node]{columns}")
    assert by_rows and all("meter.sense" in line for line in by_rows)  # not a row of it
    assert by_columns and not any("to out.right" in line for line in by_columns)
    assert {"meter.hi", "meter.sense_hi"} <= {
        word.rstrip(":,") for line in by_columns for word in line.split() if "out.left" in line
    }
    assert warned(tmp_path, "") == []


def test_a_node_that_the_matrix_is_not_wired_for_is_named(tmp_path: Path) -> None:
    told = warned(tmp_path, WORDS)
    assert any("out.left" in line and "meter.hi" in line for line in told)
    assert not any("out.right" in line and "meter.hi" in line for line in told)


def test_without_a_switch_nothing_is_told() -> None:
    plan, _ = prepare("quick", "demo", None)
    assert not any("does not reach" in line for line in plan.warnings)
