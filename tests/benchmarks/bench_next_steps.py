"""Every next step after every shipped sequence, however it ended, run as it is printed.

    python tests/benchmarks/bench_next_steps.py [SEQUENCE …]

Prints a line for each sequence and ending: the step and its exit code. A step that differs from one
before it only by the serial number is run once. Exit 1 when one is wrong use or has a traceback.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "cli"))

from next_steps import ENDINGS, SEQUENCES, advised, call, next_step, on_record

SANE = {0, 1, 3, 4}  # the dispositions


def run(names: list[str]) -> int:
    """All of them, or those of the sequences that are named."""
    bad = 0
    done: dict[tuple[str, ...], int] = {}
    results = Path("results")
    for sequence in names or SEQUENCES:
        for ending in ENDINGS:
            serial = f"N-{sequence}-{ending}"
            run_id = on_record(results, serial, sequence, ending)
            step = next_step(serial, results)
            kind = tuple(word for word in step if word not in (serial, run_id))
            if kind not in done:
                code, _, err = call(*step)
                done[kind] = code
                if code not in SANE or "Traceback" in err:
                    bad += 1
                    print(f"WRONG: {' '.join(step)}: {err.strip()}")
            told = ", ".join(" ".join(words) for words in advised(run_id, results))
            print(f"{sequence:<13} {ending:<12} {' '.join(kind)} -> {done[kind]}; advised: {told}")
            sys.stdout.flush()
    print(f"{len(done)} steps that differ, {bad} of them wrong")
    return 1 if bad else 0


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        sys.exit(run(sys.argv[1:]))
