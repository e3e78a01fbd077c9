"""A disturbance that the preamplifier makes is not put down to the power stage."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from bringing_up import BRING_UP

from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts

HEAD = """
title = "Hiss of the phono stage"
revision = "A"
decision = "simple"
"""
SEQUENCE = (
    HEAD
    + BRING_UP
    + """
[[step]]
id = "to_phono"
do = "generator_to"
input = "phono"
[[step]]
id = "select"
do = "set_control"
control = "input"
to = "phono"
[[step]]
id = "up"
do = "set_control"
control = "volume"
to = "1"
[[step]]
id = "noise.left"
do = "isolate"
at = "out.left"
look_for = "noise"
input = "phono"
records = 3
suspects = ["source and its lead", "selector and phono stage", "tone stage", "power stage"]
[[step.cuts]]
name = "volume down"
after = "selector and phono stage"
control = "volume"
position = "0"
back = "1"
[[step.cuts]]
name = "plug shorted"
after = "tone stage"
control = "power_input"
position = "shorted"
back = "connected"
effort = 5.0
[step.limit]
at_most = "1 mV"
"""
)


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("phono")
    path: Path = folder / "phono.toml"
    path.write_text(SEQUENCE, encoding="utf-8")
    plan, files = prepare(str(path), "demo", "demo-receiver")
    options = Options("T-2", "", folder / "results")
    return execute(plan, files, None, Watcher(), options, Interrupts())


def test_hiss_that_goes_with_the_volume_comes_from_before_the_control(done: Any) -> None:
    notes = [j.reading.note for j in done.judged if j.reading.quantity == "suspects_left"]
    assert notes == ["source and its lead, selector and phono stage"]


def test_one_cut_was_enough(done: Any) -> None:
    cuts = [j.reading.note for j in done.judged if j.reading.quantity == "disturbance_cut"]
    assert cuts == ["noise; volume down"]
