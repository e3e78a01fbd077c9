"""Hunting a crackle with an operator's marks, and by cycles of heat with nobody there."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from bringing_up import BRING_UP

from seqrun.instruments.link import Link
from seqrun.plan.context import Press
from seqrun.record import RunInfo, Store
from seqrun.runner.engine import Engine
from seqrun.runner.events import Watcher
from seqrun.runner.opening import VirtualHands, open_bench
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.hunt import Span, spans_of
from seqrun.values import Reading

HEAD = """
title = "Hunt"
revision = "A"
decision = "simple"
"""
SEQUENCE = (
    HEAD
    + BRING_UP
    + """
[[step]]
id = "hunt"
do = "noise_hunt"
at = "out.left"
mode = "operator"
watch = "100 s"
"""
)


class ScriptedOperator(VirtualHands):
    """Taps parts by the bench clock; part 2 crackles for three seconds after each tap."""

    def __init__(self, control: Link, demo: Any) -> None:
        super().__init__(control)
        self._demo = demo

    @contextmanager
    def presses(self) -> Iterator[Callable[[], list[Press]]]:
        world = self._demo.world
        begun, last = world.now, 0.0
        quiet = world._unit.spec
        loud = quiet.with_channel(
            "left",
            lambda c: dataclasses.replace(
                c, noise=dataclasses.replace(c.noise, burst_v=0.02, burst_rate_hz=3.0)
            ),
        )
        plan = [(10.0, "1t"), (20.0, "2t"), (30.0, "1t"), (40.0, "2t"), (50.0, "1t"), (60.0, "2t")]
        plan += [(70.0, "1t"), (80.0, "q")] if self.gives_up else [(70.0, "1t")]

        def taken() -> list[Press]:
            nonlocal last
            now = world.now - begun
            due = [(at, keys) for at, keys in plan if last < at <= now]
            last = now
            tapped = [at for at, keys in plan if keys == "2t" and at <= now < at + 3.0]
            world._unit.spec = loud if tapped else quiet
            return [Press(key, now - at) for at, keys in due for key in keys]

        yield taken
        world._unit.spec = quiet

    gives_up = False


class Heard(Watcher):
    def __init__(self) -> None:
        self.told: list[str] = []

    def note(self, text: str) -> None:
        self.told.append(text)


@pytest.fixture(scope="module")
def hunted(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder: Path = tmp_path_factory.mktemp("hunt")
    path = folder / "hunt.toml"
    path.write_text(SEQUENCE, encoding="utf-8")
    plan, files = prepare(str(path), "demo", "demo-2x40")
    opened = open_bench(files, lambda *_: None)
    record = Store(folder / "results").start(
        RunInfo("T-3", "demo", "hunt", "A", "demo", "", True, "0")
    )
    watcher = Heard()
    assert opened.control is not None
    hands = ScriptedOperator(opened.control, files.demo)
    engine = Engine(plan, opened, hands, record, watcher, lambda: None)
    try:
        engine.do_all()
    finally:
        opened.close()
    ratios = [j.reading for j in engine.judged if j.reading.quantity == "burst_rate_ratio"]
    return watcher.told, ratios, engine.facts["marks"]["hunt"]


def test_the_part_that_crackles_when_tapped_is_told_from_the_one_that_does_not(hunted: Any) -> None:
    told, _, _ = hunted
    assert any(text.startswith("out.left: tap part 2: more bursts") for text in told)
    assert any(
        text.startswith("out.left: tap part 1:") and "no change beyond chance" in text
        for text in told
    )


def test_the_surest_mark_comes_first_with_its_odds(hunted: Any) -> None:
    _, ratios, _ = hunted
    first: Reading = ratios[0]
    assert first.note.startswith("tap part 2")
    assert "by chance" in first.note
    assert first.value is not None
    assert first.value > 2.0


def test_every_mark_is_on_record(hunted: Any) -> None:
    _, _, marks = hunted
    labels = [label for label, _, _ in marks]
    assert labels == ["tap part 1", "tap part 2"] * 3 + ["tap part 1"]
    assert all(0.0 < end - start <= 3.0 for _, start, end in marks)


def test_a_mark_lasts_until_the_next_one_or_hands_off() -> None:
    keys = [("3", 0.0), ("w", 1.0), (" ", 11.0), ("c", 20.0), ("t", 25.0)]
    assert spans_of(keys, 100.0) == [
        Span("warm part 3", 1.0, 11.0),
        Span("cool part 3", 20.0, 25.0),
        Span("tap part 3", 25.0, 28.0),
    ]


def test_a_key_that_means_nothing_marks_nothing() -> None:
    assert spans_of([("x", 1.0), ("t", 2.0), ("?", 3.0)], 100.0) == [Span("tap", 2.0, 5.0)]


def test_a_device_that_crackles_more_when_warm_is_told_by_a_cycle_of_heat(
    tmp_path: Path,
) -> None:
    path = tmp_path / "heat.toml"
    by_heat = 'mode = "auto"\nlisten = "20 s"\ncycles = 1\ncool = "400 s"\n'
    path.write_text(SEQUENCE.replace('mode = "operator"\n', by_heat), encoding="utf-8")
    plan, files = prepare(str(path), "demo", "demo-2x40", faults=("noisy_device@left=0.15",))
    watcher = Heard()
    execute(plan, files, None, watcher, Options("T-4", "", tmp_path / "results"), Interrupts())
    assert any("nobody is at a terminal" in text for text in watcher.told)
    heat = [text for text in watcher.told if text.startswith("out.left: heat:")]
    assert len(heat) == 1
    assert "by chance" in heat[0]
    assert "no change" not in heat[0]
