"""How long a history of a million readings takes, against a plain ``pandas.read_csv`` of its file.

The record is invented: 25 000 runs of 5 000 units, 40 limited readings each, written in the
columns and the form of the record. Both are measured in turns in one process; imports are done
before. Target: at most 1.5.

Run: ``python tests/benchmarks/bench_history.py [READINGS]``
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from seqrun.record import READING_COLUMNS, RUN_COLUMNS, Store
from seqrun.report.history.collect import model_histories, unit_history
from seqrun.report.history.terminal import models_history

TARGET = 1.5
READINGS = 1_000_000
ROUNDS = 5
UNITS = 5_000
CHANNELS = ("left", "right")


def steps() -> list[tuple[str, str, str, str, float, float, str, str]]:
    """Step, channel, quantity, unit, mean, spread, low limit, high limit."""
    found: list[tuple[str, str, str, str, float, float, str, str]] = []
    for state in ("cold", "hot"):
        for channel in CHANNELS:
            for half in ("upper", "lower"):
                for n in (1, 2, 3):
                    place = f"{channel}.{half}.{n}"
                    name = f"idle_{state}.{place}"
                    found.append((name, place, "idle_current", "A", 0.025, 0.002, "0.015", "0.035"))
    for channel in CHANNELS:
        for state in ("cold", "hot"):
            name = f"offset_{state}.{channel}"
            found.append((name, channel, "dc_offset", "V", 0.004, 0.01, "-0.05", "0.05"))
        found += [
            (f"power.{channel}", channel, "output_power", "W", 44.0, 1.2, "40.0", ""),
            (f"noise.{channel}", channel, "noise", "V", 4e-4, 1e-4, "", "0.002"),
            (f"sharing.{channel}", channel, "current_sharing", "%", 9.0, 4.0, "", "20.0"),
            (f"thd.{channel}", channel, "thd", "%", 0.02, 0.01, "", "0.5"),
        ]
    found += [
        ("heat_idle", "", "sink_rise", "K", 11.0, 1.0, "", "20.0"),
        ("heat_eighth", "", "sink_rise", "K", 33.0, 2.5, "", "40.0"),
        ("idle_supply", "", "supply_current", "A", 0.2, 0.02, "0.12", "0.28"),
        ("discharge", "rail.pos", "residual_voltage", "V", 0.4, 0.2, "", "2.0"),
    ]
    return found


def write(folder: Path, readings: int) -> None:
    """The tables, as a bench would have left them."""
    rng = np.random.default_rng(2026)
    each = steps()
    start = datetime(2024, 1, 8, 8, tzinfo=UTC)
    with (
        (folder / "readings.csv").open("w", encoding="utf-8", newline="") as table,
        (folder / "runs.csv").open("w", encoding="utf-8", newline="") as runs,
    ):
        table.write(",".join(READING_COLUMNS) + "\r\n")
        runs.write(",".join(RUN_COLUMNS) + "\r\n")
        for run in range(max(readings // len(each), 1)):
            moment = start + timedelta(minutes=50 * run, milliseconds=run % 997)
            serial = f"EX-{rng.integers(UNITS):05d}"
            stamp = moment.strftime("%Y%m%dT%H%M%S") + f"{moment.microsecond // 1000:03d}"
            run_id = f"{stamp}Z-{serial}-{run:06x}"
            head = f"{serial},Example 2x40,acceptance,A"
            scatter = rng.standard_normal(len(each))
            lines = io.StringIO()
            for n, (step, channel, quantity, unit, mean, spread, low, high) in enumerate(each):
                value = float(mean + spread * scatter[n])
                good = float(low or "-inf") <= value <= float(high or "inf")
                when = (moment + timedelta(seconds=45 * n)).isoformat(timespec="milliseconds")
                lines.write(
                    f"{run_id},{when[:-6]}Z,{head},{step},{channel},{quantity},{value!r},{unit},"
                    f"{0.02 * mean!r},2.0,exact,{low},{high},guarded,{'pass' if good else 'fail'},"
                    f"{0.9999 if good else 0.01},meter; scope,false,\r\n"
                )
            table.write(lines.getvalue())
            began = moment.isoformat(timespec="milliseconds")[:-6] + "Z"
            for end, disposition in (("", ""), (began, "accept")):
                runs.write(
                    f"{run_id},{began},{end},{head},Corner bench,,{disposition},,false,0.1.0\r\n"
                )


def cpu_s(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


def main() -> int:
    readings = int(sys.argv[1]) if len(sys.argv) > 1 else READINGS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder, readings)
        store = Store(folder)
        path = store.readings_table.path
        serial = store.runs()[0].serial

        def models() -> None:
            models_history(model_histories(store), file=io.StringIO())

        work: dict[str, Callable[[], object]] = {
            "plain read_csv": lambda: pd.read_csv(path),
            "history of the model": models,
            "history of one unit": lambda: unit_history(store, serial),
            "every column as a frame": store.readings_frame,
        }
        models()  # imports
        best = {what: float("inf") for what in work}
        for _ in range(ROUNDS):
            for what, call in work.items():
                best[what] = min(best[what], cpu_s(call))
        size = path.stat().st_size / 1e6
    plain = best["plain read_csv"]
    print(f"{readings} readings, {size:.0f} MB; CPU time, best of {ROUNDS}")
    for what, seconds in best.items():
        print(f"  {what:<26}{seconds:7.2f} s   ratio {seconds / plain:5.2f}")
    worst = max(best["history of the model"], best["history of one unit"]) / plain
    print(f"ratio {worst:.2f}, target {TARGET}")
    return 0 if worst <= TARGET else 1


if __name__ == "__main__":
    sys.exit(main())
