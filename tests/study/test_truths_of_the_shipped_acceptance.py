"""The truths that a study of the shipped acceptance asks for are told by its own steps."""

from __future__ import annotations

import demo_sim
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import load_sequence
from seqrun.files.unit.sheet import load_unit
from seqrun.judge import decide
from seqrun.steps.base import kinds
from seqrun.study.conforming import TOLD, ToldOf
from seqrun.values import Reading


def test_the_flatness_of_each_band_is_told_however_its_ends_are_written() -> None:
    unit = load_unit("demo-2x40")
    bench = demo_sim.open_bench(unit.plain(), unit_sheet="demo-2x40")
    bench.devices["supply"].execute("VOLT 30;CURR 5;:INST:NSEL 2;:VOLT 30;CURR 5;:OUTP ON")
    bench.devices["control"].execute("CLOC:WAIT 10")
    steps = expand_all(load_sequence("acceptance", kinds()), unit)
    told = {}
    for step in steps:
        if step.kind in ("flatness", "frequency_response"):
            reading = Reading("flatness", "dB", 0.1, channel="left")
            judged = decide(reading, None, "guarded", step.id)
            told[step.id] = TOLD["flatness"](ToldOf(bench.truth, unit, step, judged))
    assert {"even_low", "even_high"} <= set(told)
    assert all(0.0 < float(db) < 1.0 for db in told.values() if db is not None)
