"""All standing leads on one screen, before there is power."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from seqrun.plan.standing import screen, standing
from seqrun.runner.preparation import prepare


def test_a_splitter_is_told_with_all_its_ends(short_sequence: Callable[..., str]) -> None:
    plan, _ = prepare(short_sequence(), "demo:one_generator_output", None)
    assert "generator.1 through a splitter on in.left and in.right" in screen(plan)
    told = {lead for one in standing(plan) for lead in one.leads}
    assert told == set(plan.view.fixed.items())


@pytest.mark.parametrize("unit", ["demo-2x40", "demo-bridged"])
def test_every_lead_and_load_of_the_bench_file_is_on_one_screen(
    short_sequence: Callable[..., str], unit: str
) -> None:
    plan, _ = prepare(short_sequence(), "demo", unit)
    told = {lead for one in standing(plan) for lead in one.leads}
    assert told == set(plan.view.fixed.items())
    lines = screen(plan).splitlines()
    assert len(lines) <= 22
    for terminal in plan.view.bench.terminals:
        assert any(terminal in line for line in lines)
    assert any("supply.1.pos (+) on rail.pos, supply.1.neg (-) on ground" in line for line in lines)
    assert any("load left" in line and "8.0" in line for line in lines)
