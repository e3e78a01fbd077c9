"""Leads that come off and instruments that lose their power, in the middle of each step: counts, by
hand.

    python tests/benchmarks/bench_mishaps.py --off scope.1 meter.hi --power scope
    python tests/benchmarks/bench_mishaps.py --fault hum@left=0.8 --off scope.1 --steps hum noise

What was done is made good when the step is over, so that no later step can tell. On a faulty unit
nothing that fails by itself may pass, on a good one nothing wrong may be accepted: wanted are no
capitals. A bound that follows from how long something was listened for may differ.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "breaking"))

from forked import once, put_in
from mishaps import Mended, acts, woken


@dataclass
class Told(Mended):
    """Prints what each child tells."""

    counts: Counter[str] = field(default_factory=Counter)

    def hear(self, number: int, kind: str, said: Sequence[str]) -> None:
        at = self.seen[number]
        print(f"{at.step}: {kind} at {at.key} {at.asked[:40]} | {' | '.join(said)}", flush=True)
        self.counts.update(line.split(":")[0].partition(" WHAT FAILS")[0] for line in said)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sequence", default="acceptance")
    parser.add_argument("--fault", action="append", default=[], help="of the unit; more than one")
    parser.add_argument("--off", nargs="*", default=[], help="leads, such as scope.1")
    parser.add_argument("--power", nargs="*", default=[], help="instruments, such as meter")
    parser.add_argument("--steps", nargs="*", default=[""], help="beginnings of ids; all")
    parser.add_argument("--each", type=int, default=1, help="messages of each step")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        tap = Told(Path(name) / "clean", faults=given.fault)
        put_in(tap)
        clean, _ = once(given.sequence, tap)
        print(f"by itself: {clean.disposition}, {clean.reason}", flush=True)
        tap.clean, tap.acts = clean.judged, acts(tap, given.off) | woken(tap, given.power)
        at: dict[str, list[int]] = defaultdict(list)
        for number, one in enumerate(tap.seen):
            if one.step.startswith(tuple(given.steps)):
                at[one.step].append(number)
        draw = random.Random(given.seed)
        tap.todo = defaultdict(list)
        for numbers in at.values():
            for kind in tap.acts:
                for number in draw.sample(numbers, min(given.each, len(numbers))):
                    tap.todo[number].append(kind)
        tap.results, tap.seen, tap.step = Path(name) / "tapped", [], "opening"
        once(given.sequence, tap)
    print(f"{len(tap.told)} cases in {time.monotonic() - begun:.0f} s")
    for word, times in sorted(tap.counts.items()):
        print(f"{times:5}  {word}")


if __name__ == "__main__":
    main()
