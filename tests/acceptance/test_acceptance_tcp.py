"""The same acceptance over real TCP sockets, through pyvisa-py: the same verdicts.

Up to where every instrument has been used in every way; the soaks would say nothing more of links.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from acceptance_runs import run
from shortened import cut_short

import demo_sim
from seqrun.files.unit.sheet import load_unit

LAST = "contacts"
#: that one tone after the other comes through is seen at the gain and the distortion
SWEPT = (
    "hum",
    "bass",
    "even_low",
    "treble",
    "even_high",
    "separation",
    "separation_high",
    "stray_cold",
    "stray_rest",
)


def test_over_sockets_the_verdicts_are_those_of_the_run_in_process(
    acceptance: Callable, tmp_path: Path
) -> None:
    demo = demo_sim.open_bench(load_unit("demo-2x40").plain(), seed=1, unit_sheet="demo-2x40")
    server = demo.serve()
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        bench = tmp_path / "bench.toml"
        bench.write_text(server.bench_toml(), encoding="utf-8")
        over_tcp = run(tmp_path, bench=str(bench), sequence=cut_short(tmp_path, LAST, SWEPT))
    finally:
        server.close()
        thread.join(timeout=5.0)
    in_process = acceptance(to=LAST, without=SWEPT)
    verdicts = [(j.step, j.reading.channel, j.verdict) for j in in_process.outcome.judged]
    assert [(j.step, j.reading.channel, j.verdict) for j in over_tcp.outcome.judged] == verdicts
    assert over_tcp.outcome.disposition is in_process.outcome.disposition
    assert over_tcp.record.run.simulated
