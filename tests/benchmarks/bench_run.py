"""How many acceptances an hour of one core makes, and what of it is the sequencer's own.

Run by hand: ``python tests/benchmarks/bench_run.py``; exit code 1 where a goal is missed. A whole
acceptance, and a bare PyVISA script that exchanges the same messages, are done in turns in this
process on demo benches of the same seed; CPU times, medians. The bare script has its messages
ready in memory and only writes and reads: it is what the simulated bench costs. The rest, per
message, is the sequencer's own: asking, watching, working out, judging, recording. A ratio of the
two would punish a faster simulator, so none is a goal.
"""

from __future__ import annotations

import os

# As the command line does it, and for both sides alike: before NumPy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import re
import statistics
import sys
import tempfile
import time
from pathlib import Path

import pyvisa

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.record import load_run
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts

ROUNDS = 5
AIM_PER_HOUR = 2_000
LINE = re.compile(r"^\s*[\d.]+ (\S+) ([<>]) (.*)$")


def run_once(results: Path) -> tuple[float, float, str]:
    """CPU seconds, bench seconds and run id of one acceptance."""
    start = time.process_time()
    plan, files = prepare("acceptance", "demo", None)
    options = Options("BENCH-1", "", results)
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    return time.process_time() - start, outcome.bench_s, outcome.run_id


def messages_of(results: Path, run_id: str) -> list[tuple[str, bool, bytes]]:
    """(instrument, sent, text) of every message of a run."""
    found = []
    log = load_run(results, run_id).messages
    assert log is not None, "the run kept no message log"
    for line in log.read_text(encoding="utf-8").splitlines():
        match = LINE.match(line)
        if match is None or match[3] == "<clear>":
            continue
        found.append((match[1], match[2] == ">", match[3].encode("utf-8")))
    return found


def bare(messages: list[tuple[str, bool, bytes]]) -> float:
    """CPU seconds of the same exchange by PyVISA alone, opening included."""
    unit = load_unit("demo-2x40").plain()
    start = time.process_time()
    world = demo_sim.open_bench(unit, seed=1)
    manager = pyvisa.ResourceManager(world.visa_library)
    resources = {
        key: manager.open_resource(f"TCPIP0::{key}.demo::INSTR")
        for key in {message[0] for message in messages}
    }
    for resource in resources.values():
        resource.timeout = 60_000  # ms; long integrations answer late
    for key, sent, text in messages:
        if sent:
            resources[key].write_raw(text + b"\n")
        else:
            resources[key].read_raw(4 << 20)
    for resource in resources.values():
        resource.close()
    return time.process_time() - start


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        results = Path(folder)
        _, bench_s, run_id = run_once(results)  # warm: imports and caches
        messages = messages_of(results, run_id)
        ours: list[float] = []
        theirs: list[float] = []
        for _ in range(ROUNDS):
            ours.append(run_once(results)[0])
            theirs.append(bare(messages))
    run, bare_s = statistics.median(ours), statistics.median(theirs)
    per_hour = 3600.0 / run
    print(f"messages exchanged          {len(messages)}")
    print(f"bench time                  {bench_s:.0f} s")
    print(f"CPU of a run                {run:.2f} s")
    print(f"  the simulated bench       {bare_s:.2f} s")
    own = run - bare_s
    print(f"  the sequencer's own       {own:.2f} s, {1e6 * own / len(messages):.0f} µs a message")
    print(f"acceptances per core-hour   {per_hour:,.0f}  (aim: at least {AIM_PER_HOUR:,})")
    return 0 if per_hour >= AIM_PER_HOUR else 1


if __name__ == "__main__":
    sys.exit(main())
