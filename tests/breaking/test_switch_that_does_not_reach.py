"""A switch that is not wired to a node, and nobody there: an open input reads like a unit that is
good, and is not taken for it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import demo_sim
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.runner.events import Watcher
from seqrun.runner.hands import Assumed
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Verdict

#: every node that the short sequence asks for with the meter, but for the left output
WORDS = """
[words.terminal]
"meter.hi" = "1"
"meter.lo" = "2"
"meter.sense_hi" = "3"
"meter.sense_lo" = "4"
[words.node]
"rail.pos" = "01"
"rail.neg" = "02"
"ground" = "03"
"out.right" = "04"
"""


@pytest.mark.parametrize("fault", ["dc_offset@left=1.0", ""])
def test_what_the_switch_does_not_reach_is_not_measured_and_the_unit_is_held(
    tmp_path: Path, short_sequence: Callable[..., str], fault: str
) -> None:
    driver = find("driver", "generic-switch").read_text(encoding="utf-8")
    (tmp_path / "matrix.toml").write_text(driver + WORDS, encoding="utf-8")
    bench = demo_sim.open_bench(
        load_unit("demo-2x40").plain(),
        faults=(fault,) if fault else (),
        with_switch=True,
        unit_sheet="demo-2x40",
    )
    said: list[str] = []
    with bench.serve() as server:
        file = tmp_path / "bench.toml"
        text = server.bench_toml().replace('"generic-switch"', '"matrix.toml"')
        file.write_text(text, encoding="utf-8")
        plan, files = prepare(short_sequence(), str(file), None)
        assert any("does not reach out.left with meter.hi" in line for line in plan.warnings)
        hands = Assumed(said.append, plan.standing)
        options = Options("T-1", "", tmp_path / "r")
        outcome = execute(plan, files, hands, Watcher(), options, Interrupts())
    (left,) = [j for j in outcome.judged if j.step == "offset.left"]
    assert left.verdict is Verdict.NOT_MEASURED
    assert "out.left" in left.reading.note
    assert "nobody does" in left.reading.note
    assert outcome.disposition is not Disposition.ACCEPT
    assert outcome.safe.complete
    assert not any("out.left" in line and "taken as made" in line for line in said)
