"""Which bench a run is on: the one that is named, and no other."""

from __future__ import annotations

from pathlib import Path

import pytest

from seqrun.errors import FileError, UsageError
from seqrun.runner.opening import read_bench


def test_with_no_bench_named_there_is_none_and_certainly_not_the_simulated_one() -> None:
    with pytest.raises(UsageError, match="no bench is named") as refused:
        read_bench(None, "demo-2x40")
    assert "--bench demo" in str(refused.value)


def test_a_file_that_is_not_there_is_not_the_simulated_bench_either(tmp_path: Path) -> None:
    for name in ("", "demo.toml", "Demo", "demo bench", str(tmp_path)):
        with pytest.raises(FileError, match="no such bench file"):
            read_bench(name, "demo-2x40")


def test_a_simulated_fault_is_put_into_no_bench_but_the_simulated_one(tmp_path: Path) -> None:
    """Else a record of a real unit would tell of a fault that it never had."""
    bench = tmp_path / "bench.toml"
    bench.write_text(read_bench("demo", None).demo.bench_toml(), encoding="utf-8")
    assert read_bench(str(bench), "demo-2x40").view.bench.path == bench
    with pytest.raises(UsageError, match="puts a fault into the simulated unit"):
        read_bench(str(bench), "demo-2x40", faults=["dc_offset@left"])
    assert read_bench("demo", None, faults=["dc_offset@left"]).simulated
