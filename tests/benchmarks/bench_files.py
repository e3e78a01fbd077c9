"""Ten thousand spoilt files of every kind: how many end in a traceback, and how many take long.

    python tests/benchmarks/bench_files.py --cases 10000

Each is a right file with one to three things spoilt in it: letters, lines, values, keys, numbers,
cells, nodes. Wanted are zeros: whatever a file holds, what reads it comes back with a result or
with an error of ours, and in less than two seconds.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")
sys.path.insert(0, str(Path(__file__).parent.parent / "files"))

from spoilt_files import KINDS, Reader, readers, spoil

from seqrun.errors import SeqrunError
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts

SLOW_S = 2.0
RECORDS = ("readings.csv", "runs.csv", "run.json")


SHORT = """
title = "Short"
revision = "A"
decision = "guarded"
cautions = ["Stored charge: confirm below 2 V by meter before touching."]
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
stages = 3
healthy_current = "3 * supply_idle"
[[step]]
id = "relays"
do = "await_output"
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "noise.left"
do = "output_noise"
at = "out.left"
limit = { at_most = "2 mV" }
[[step]]
id = "discharge"
do = "power_down"
limit = { at_most = "2 V" }
"""


def _record(place: Path) -> Path:
    place.mkdir()
    (place / "acceptance.toml").write_text(SHORT, encoding="utf-8")
    plan, files = prepare(str(place / "acceptance.toml"), "demo", None)
    (place / "acceptance.toml").unlink()
    execute(plan, files, None, Watcher(), Options("T-1", "", place), Interrupts())
    return place


def main() -> int:
    """Run it; exit code 1 when anything but zeros was found."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--cases", type=int, default=10_000)
    arguments.add_argument("--kinds", nargs="*", default=KINDS, choices=KINDS)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--show", type=int, default=8, help="tracebacks that are shown")
    asked = arguments.parse_args()
    warnings.simplefilter("ignore")
    told: Counter[tuple[str, str]] = Counter()
    traces: dict[str, tuple[str, bytes]] = {}
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        record = _record(place / "right") if set(asked.kinds) & set(RECORDS) else None
        there: dict[str, list[Reader]] = {}
        for kind in asked.kinds:
            (place / kind).mkdir()
            there[kind] = readers(kind, place / kind, record)
        share = {kind: 0.35 if kind in RECORDS else 1.0 for kind in asked.kinds}
        whole = sum(share.values())
        for kind in asked.kinds:
            for number in range(round(asked.cases * share[kind] / whole)):
                rng = random.Random(f"{asked.seed} {kind} {number}")
                reader = there[kind][number % len(there[kind])]
                data = spoil(reader.text, kind, rng)
                begun = time.process_time()
                try:
                    reader.read(data)
                    outcome = "read"
                except SeqrunError:
                    outcome = "refused"
                except Exception as error:
                    outcome = "traceback"
                    frame = traceback.extract_tb(error.__traceback__)[-1]
                    ours = [f for f in traceback.extract_tb(error.__traceback__)
                            if "/seqrun/" in f.filename][-1:]  # fmt: skip
                    at = ours[0] if ours else frame
                    key = f"{type(error).__name__} at {Path(at.filename).name}:{at.lineno}"
                    traces.setdefault(key, (traceback.format_exc(), data))
                    told[kind, key] += 1
                told[kind, outcome] += 1
                if time.process_time() - begun > SLOW_S:
                    told[kind, "slow"] += 1
                    print(f"slow: {kind} {number}: {time.process_time() - begun:.1f} s")
            counts = {what: n for (of, what), n in told.items() if of == kind}
            print(kind, counts, flush=True)
    for key, (trace, _) in list(traces.items())[: asked.show]:
        print(f"\n{key}\n{trace[-1800:]}")
    found = sum(n for (_, what), n in told.items() if what in ("traceback", "slow"))
    done = sum(n for (_, what), n in told.items() if what in ("read", "refused", "traceback"))
    print(f"{done} files, {found} tracebacks or slow ones")
    return int(found > 0)


if __name__ == "__main__":
    sys.exit(main())
