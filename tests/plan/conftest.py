"""Plans of a short sequence, on the demo bench as it is or changed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_plans import HEAD, NO_GENERATOR

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.plan.actions import Plan
from seqrun.runner.preparation import prepare


@pytest.fixture
def planned(tmp_path: Path) -> Callable[..., Plan]:
    def plan(*parts: str, bench: str = "demo", unit: str = "demo-2x40") -> Plan:
        path = tmp_path / "sequence.toml"
        path.write_text(HEAD + "".join(parts), encoding="utf-8")
        return prepare(str(path), bench, unit)[0]

    return plan


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., str]:
    def write(*changes: tuple[str, str]) -> str:
        unit = "demo-2x40"
        text = demo_sim.open_bench(load_unit(unit).plain(), unit_sheet=unit).bench_toml()
        for was, becomes in changes:
            assert was in text
            text = text.replace(was, becomes)
        path = tmp_path / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


@pytest.fixture
def without_generator(bench: Callable[..., str]) -> str:
    leads = "".join(
        f'[[lead]]\nfrom = "generator.{n}"\nto = "in.{channel}"\n\n'
        for n, channel in ((1, "left"), (2, "right"))
    )
    return bench((NO_GENERATOR, ""), (leads, ""))
