"""``seqrun study``: the tables that the benchmarks print, for a few benches."""

from __future__ import annotations

import pytest
from typer.testing import CliRunner

from seqrun.cli import app
from seqrun.cli.studies import coverage_command
from seqrun.study.coverage import bench_of
from seqrun.study.tables import untold_lines


def test_coverage_of_one_quantity_is_printed_with_its_aims() -> None:
    result = CliRunner().invoke(
        app, ["study", "coverage", "--benches", "3", "--quantity", "channel_separation"]
    )
    (line,) = [x for x in result.output.splitlines() if x.startswith("channel_separation")]
    assert line.split()[1] == "6"  # two ways round on each of three benches
    assert "93%" in result.output
    assert result.exit_code in (0, 1)


def test_too_few_benches_for_a_width_show_none(capsys: pytest.CaptureFixture[str]) -> None:
    coverage_command(quantity="channel_separation", benches=2, seed=5, processes=1, kinds=["clean"])
    (line,) = [x for x in capsys.readouterr().out.splitlines() if "separation" in x]
    assert line.split()[4] == "-"


def test_coverage_of_another_unit_leaves_out_what_it_has_not(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A mono block has a gain and no balance; faults of the left channel are put into its own."""
    coverage_command(quantity="transfer", benches=1, seed=1, processes=1, unit="demo-mono")
    names = [line.split()[0] for line in capsys.readouterr().out.splitlines() if "%" in line]
    assert {"gain", "source_impedance"} <= set(names)
    assert "channel_balance" not in names


def test_what_has_no_truth_is_told_with_the_reason() -> None:
    lines = list(untold_lines())
    assert all(len(line) <= 80 for line in lines)
    assert "ripple_peak_to_peak" in " ".join(lines)


def test_coverage_is_studied_on_a_dirty_bench_too() -> None:
    """The same seed, and another truth: its ballasts and contacts are dirty."""
    clean, dirty = (
        bench_of("levels", 5, bench=bench)[-1].truth for bench in ("demo:clean", "demo:dirty")
    )
    assert clean != dirty
