"""A sound interface of which one output is told of: the other is silent, and nothing breaks."""

from __future__ import annotations

from pathlib import Path

from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Verdict

TEXT = """
title = "Idle currents"
revision = "A"
decision = "guarded"
trip = [{ quantity = "supply_current", above = "supply_at_rated_power", why = "a short" }]
step = [
  { id = "p", do = "protect_supply", over_voltage = "1.2 * rail_voltage", over_current = "3 A" },
  { id = "up", do = "ramp_supply", to = "rail_voltage", stages = 2, healthy_current = "0.5 A" },
  { id = "d", do = "device_current", at = "ballast.left.upper.1", limit = { at_most = "1 A" } },
  { id = "down", do = "power_down" },
]
"""


def test_a_tone_on_its_one_output_shows_that_a_lead_is_on_its_ballast(tmp_path: Path) -> None:
    path = tmp_path / "idle.toml"
    path.write_text(TEXT, encoding="utf-8")
    plan, files = prepare(str(path), "demo:one_generator_output,sound_card", None)
    options = Options("S-1", "", tmp_path / "results")
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    (idle,) = [j for j in outcome.judged if j.quantity == "idle_current"]
    assert idle.verdict is Verdict.PASS
