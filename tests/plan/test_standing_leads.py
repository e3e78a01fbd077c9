"""All standing leads on one screen, before there is power."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pytest
from rich.console import Console

from seqrun.plan.standing import cautions_screen, screen, standing
from seqrun.report.run.forecast import plan_view
from seqrun.runner.events import Watcher
from seqrun.runner.opening import VirtualHands
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts


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


def test_a_sensor_is_shown_with_the_place_it_has_to_be_on_and_stands_after_all_leads(
    short_sequence: Callable[..., str],
) -> None:
    plan, _ = prepare(short_sequence(), "demo", None)
    assert plan.view.bench.sensor
    last = standing(plan)[-len(plan.view.bench.sensor) :]
    for sensor, told in zip(plan.view.bench.sensor, last, strict=True):
        assert (told.kind, told.leads) == ("sensor", ())
        assert told.words.startswith(f"{sensor.kind} {sensor.name}: ")
        assert plan.view.unit.points()[sensor.point].words in screen(plan)


def test_a_plan_tells_its_cautions_first_and_every_hookup_with_what_it_is_for() -> None:
    plan, _ = prepare("quick", "demo", None)
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(plan_view(plan))
    text = " ".join(console.export_text().split())
    for caution in plan.sequence.cautions:
        assert text.index(" ".join(caution.split())) < text.index("expected U")
    assert cautions_screen(plan).count("\n") == len(plan.sequence.cautions)
    told = text[text.index("HOOKUPS") :]
    for number, (hookup, actions) in enumerate(plan.hookups_for, 1):
        assert f"{number}. {' '.join(hookup.words.split())}" in told
        assert all(f"({action.id})" in told for action in actions)
    served = [a.id for _, actions in plan.hookups_for for a in actions]
    asked = {
        action.id
        for action in plan.actions
        for hookup in action.needs.hookups
        if not set(hookup.leads) <= set(plan.view.fixed.items())
    }
    assert asked == set(served)


def test_cautions_are_read_once_and_before_the_leads(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    texts: list[str] = []
    told = lambda hands, text, done="done", leads=(): texts.append(f"{done}: {text}")  # noqa: E731
    monkeypatch.setattr(VirtualHands, "acknowledge", told)
    plan, files = prepare(short_sequence(), "demo", None)
    execute(plan, files, None, Watcher(), Options("T-1", "", tmp_path), Interrupts())
    assert texts[0].startswith("read: CAUTIONS")
    assert texts[1].startswith("done: STANDING LEADS")
    assert len(texts) == 2
