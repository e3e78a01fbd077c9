"""Whole acceptances on the simulated bench, each done once and looked at by several tests."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import pytest
from acceptance_runs import Done, run
from shortened import cut_short


@pytest.fixture(scope="session")
def acceptance(
    tmp_path_factory: pytest.TempPathFactory, once: Callable[..., Any]
) -> Callable[..., Done]:
    """``acceptance("open_device@left")``: the run with those faults, made once for all workers;
    ``to="gain"``: only as far as that step, ``without=POWER``: less those steps."""
    made: dict[tuple[str, ...], Done] = {}

    def make(faults: Sequence[str], to: str | None, without: Sequence[str]) -> Done:
        folder = tmp_path_factory.mktemp("results")
        sequence = "acceptance" if to is None else cut_short(folder, to, without)
        return run(folder, *faults, sequence=sequence)

    def get(*faults: str, to: str | None = None, without: Sequence[str] = ()) -> Done:
        key = (*faults, f"to {to}", *(without if to is not None else ()))
        if key not in made:
            made[key] = once(f"acceptance {key}", partial(make, faults, to, without))
        return made[key]

    return get
