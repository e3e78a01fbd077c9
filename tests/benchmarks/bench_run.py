"""CPU time of a whole acceptance against a bare PyVISA script that exchanges the same messages.

Run by hand: ``python tests/benchmarks/bench_run.py``. Both are done in this process on a demo bench
of the same seed, alternately, and the medians of the CPU times are compared. The bare script has
its messages ready in memory; it only writes and reads.
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
    ratio = statistics.median(ours) / statistics.median(theirs)
    print(f"messages exchanged          {len(messages)}")
    print(f"bench time                  {bench_s:.0f} s")
    print(f"CPU of a run                {statistics.median(ours):.2f} s")
    print(f"CPU of a bare script        {statistics.median(theirs):.2f} s")
    print(f"ratio                       {ratio:.2f}  (wanted: at most 1.3)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
