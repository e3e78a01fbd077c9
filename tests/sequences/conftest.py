"""Whole runs of the shipped sequences on the simulated bench, each made once and shared."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from sequence_runs import Done, run_of

Run = Callable[..., Done]


@pytest.fixture(scope="session")
def run(tmp_path_factory: pytest.TempPathFactory, once: Callable[..., Any]) -> Run:
    """``run("intake", "hum@left=0.5", unit="demo-mono")``: made once for all workers."""
    made: dict[tuple[object, ...], Done] = {}
    results: Path = tmp_path_factory.mktemp("results")

    def get(sequence: str, *faults: str, unit: str | None = None) -> Done:
        key = (sequence, faults, unit)
        if key not in made:
            make = partial(run_of, sequence, faults, unit, results)
            made[key] = once(f"sequence {key}", make)
        return made[key]

    return get
