"""A sequence over TCP against a bench that follows the wall clock, to its verdict."""

from __future__ import annotations

from pathlib import Path

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts

SEQUENCE = """
title = "Air and protection"
revision = "A"
decision = "guarded"
cautions = ["Nothing is powered."]

[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "34 V"
over_current = "3 A"

[[step]]
id = "air"
do = "temperature"
at = "sensor.ambient"
limit = { between = ["10 °C", "40 °C"] }
"""


def test_short_sequence_ends_with_its_verdict_after_as_many_real_seconds_as_bench_seconds(
    tmp_path: Path,
) -> None:
    unit = load_unit("demo-2x40").plain()
    demo = demo_sim.open_bench(unit, real_time=True, unit_sheet="demo-2x40")
    (tmp_path / "air.toml").write_text(SEQUENCE, encoding="utf-8")
    with demo.serve() as server:
        (tmp_path / "bench.toml").write_text(server.bench_toml(), encoding="utf-8")
        plan, files = prepare(str(tmp_path / "air.toml"), str(tmp_path / "bench.toml"), None)
        began = demo.world.now
        outcome = execute(
            plan, files, None, Watcher(), Options("RT-1", "", tmp_path / "results"), Interrupts()
        )
        took = demo.world.now - began
    assert outcome.disposition.value == "accept"
    (air,) = [judged for judged in outcome.judged if judged.step == "air"]
    truth = demo.truth.temperature("ambient")
    assert abs(air.reading.value - truth) <= air.reading.expanded_uncertainty
    assert took >= 1.2  # three four-wire readings of twice ten line cycles
    assert demo.devices["supply"].outputs[1].over_volts == 34.0
