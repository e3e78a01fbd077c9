"""What the report's tests share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from invented_run import good, on_record

from seqrun.record import RunData
from seqrun.values import Judged


@pytest.fixture
def recorded(tmp_path: Path) -> Callable[..., RunData]:
    """Puts a run on record in a results folder of its own."""

    def make(readings: list[Judged] | None = None, *args: object, **more: object) -> RunData:
        return on_record(tmp_path / "results", readings or good(), *args, **more)  # type: ignore[arg-type]

    return make
