"""All standing leads on one screen, and what a switch does not reach, before there is power."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import demo_sim
from seqrun.files.unit import load_unit
from seqrun.plan.standing import screen, standing, switch_words, unreached
from seqrun.runner.preparation import prepare


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


def test_a_switch_that_is_not_wired_to_a_node_is_told(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    text = demo_sim.open_bench(load_unit("demo-2x40").plain(), with_switch=True).bench_toml()
    bench = tmp_path / "bench.toml"
    wired = 'reaches = ["meter.hi", "meter.lo", "ground", "out.left"]'
    bench.write_text(
        text.replace("[instrument.switch]", f"[instrument.switch]\n{wired}"), encoding="utf-8"
    )
    plan, _ = prepare(short_sequence(), str(bench), "demo-2x40")
    assert "meter.hi to out.right" in unreached(plan)
    assert not any(lead.startswith("meter.hi to out.left") for lead in unreached(plan))
    assert "meter.hi to out.right" in switch_words(plan)


def test_a_switch_of_unknown_reach_is_said_to_be_so(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    text = demo_sim.open_bench(load_unit("demo-2x40").plain(), with_switch=True).bench_toml()
    bench = tmp_path / "bench.toml"
    bench.write_text(text, encoding="utf-8")
    plan, _ = prepare(short_sequence(), str(bench), "demo-2x40")
    assert "is not known before it is asked" in switch_words(plan)
