"""Whole acceptances on the simulated bench, each done once and looked at by several tests."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from acceptance_runs import Done, run


@pytest.fixture(scope="session")
def acceptance(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Done]:
    """``acceptance("open_device@left")``: the run with those faults, made once."""
    made: dict[tuple[str, ...], Done] = {}

    def get(*faults: str) -> Done:
        if faults not in made:
            made[faults] = run(tmp_path_factory.mktemp("results"), *faults)
        return made[faults]

    return get
