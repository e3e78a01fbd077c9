"""Every message of a run, its answer spoiled in every way: counts, by hand.

    python tests/benchmarks/bench_every_message.py --sequence quick --csv told.csv
    python tests/benchmarks/bench_every_message.py --sequence quick --every --csv every.csv
    python tests/benchmarks/bench_every_message.py --sequence acceptance --cases 300

Messages that differ in their numbers or channel only are alike; each kind of corruption is tried at
one of them. With ``--every`` each message of the run is spoiled once instead, and the kinds take
turns. What came of a case is written down at once, and a case that is on the list already is
not run again, so that the work can be done in parts. How a run is forked at its messages, and when
a child is done, stands in ``tests/breaking/forked.py``; ``--whole`` lets every child go on to its
own end, which shows whether the short way hides anything. Wanted are no capitals.
"""

from __future__ import annotations

import argparse
import csv
import random
import re
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent / "breaking"))

from forked import Exchange, Tap, once, put_in
from spoiling import KINDS, LATE

AT_ONCE = 150  # cases of one pass over the run
COLUMNS = ("sequence", "message", "kind", "key", "step", "asked", "cpu_s", "told")


@dataclass
class Listed(Tap):
    """Writes down what each child tells."""

    sequence: str = ""
    list_file: Path | None = None
    until: float = float("inf")
    counts: Counter[str] = field(default_factory=Counter)
    right: list[bytes] = field(default_factory=list)  # answers of the clean run, as ``seen``

    def answer(self, session: Any, asked: bytes, right: bytes) -> bytes | None:
        given = super().answer(session, asked, right)
        if len(self.right) < len(self.seen):
            self.right.append(right)
        return given

    def hear(self, number: int, kind: str, said: Sequence[str]) -> None:
        at = self.seen[number]
        for line in said:
            if line[:4].isupper():
                print(f"{line}: {kind}, message {number} {at}", flush=True)
        self.counts.update(map(_word, said))
        if self.list_file is not None:
            with self.list_file.open("a", encoding="utf-8", newline="") as file:
                csv.writer(file).writerow(
                    (self.sequence, number, kind, at.key, at.step, at.asked[:200],
                     f"{self.cpu_s:.2f}", " | ".join(said))
                )  # fmt: skip
        if time.monotonic() > self.until:
            self.todo.clear()


def _word(line: str) -> str:
    return re.sub(r"[:\d'\"(].*", "", line).strip()


def cases(seen: Sequence[Exchange], draw: random.Random) -> Iterator[tuple[int, str]]:
    """Each kind at one of the messages that are alike, in an order that takes unlike ones first."""
    like: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for number, one in enumerate(seen):
        like[one.like].append(number)
    kinds = [*KINDS, LATE]
    groups = list(like.values())
    draw.shuffle(groups)
    for turn in range(len(kinds)):
        for place, numbers in enumerate(groups):
            yield draw.choice(numbers), kinds[(place + turn) % len(kinds)]


def every(right: Sequence[bytes], draw: random.Random) -> Iterator[tuple[int, str]]:
    """Each message once: of the kinds that change something in its answer, the one that was used
    least."""
    used = dict.fromkeys([*KINDS, LATE], 0)
    for number in draw.sample(range(len(right)), len(right)):
        kinds = [k for k in used if k == LATE or KINDS[k](right[number]) != right[number]]
        kind = min(draw.sample(kinds, len(kinds)), key=lambda k: used[k])
        used[kind] += 1
        yield number, kind


def listed(path: Path | None, sequence: str) -> dict[tuple[int, str], str]:
    """What came of the cases that are done."""
    if path is None or not path.is_file():
        return {}
    with path.open(encoding="utf-8", newline="") as file:
        return {
            (int(row[1]), row[2]): row[7] for row in csv.reader(file) if row and row[0] == sequence
        }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sequence", default="quick")
    parser.add_argument("--cases", type=int, default=0, help="0: each kind at each unlike message")
    parser.add_argument("--every", action="store_true", help="each message once, kinds in turn")
    parser.add_argument("--step", default="", help="only at messages of steps that begin so")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", default="0/1", help="2/5: the third fifth of the cases")
    parser.add_argument("--csv", type=Path, help="the list of what is done, and goes on")
    parser.add_argument("--whole", action="store_true", help="every child to its own end")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after so many")
    given = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        tap = Listed(Path(name) / "clean", sequence=given.sequence, list_file=given.csv)
        put_in(tap)
        clean, _ = once(given.sequence, tap)
        tap.clean, tap.whole, tap.until = clean.judged, given.whole, begun + given.seconds
        seen = tuple(tap.seen)
        draw = random.Random(given.seed)
        drawn = dict.fromkeys(every(tap.right, draw) if given.every else cases(seen, draw))
        everything = [case for case in drawn if seen[case[0]].step.startswith(given.step)]
        wanted = everything[: given.cases or len(everything)]
        part, of = map(int, given.part.split("/"))
        done = listed(given.csv, given.sequence)
        left = [case for case in wanted[part::of] if case not in done]
        print(
            f"{clean.disposition}; {len(seen)} answered messages, {len({e.like for e in seen})} "
            f"unlike; {len(wanted)} cases, {len(left)} of them to do",
            flush=True,
        )
        for turn in range(0, len(left), AT_ONCE):
            if time.monotonic() > tap.until:
                break
            tap.results = Path(name) / f"pass{turn}"
            tap.seen, tap.step, tap.todo = [], "opening", defaultdict(list)
            for number, kind in left[turn : turn + AT_ONCE]:
                tap.todo[number].append(kind)
            outcome, _ = once(given.sequence, tap)
            if outcome.disposition is not clean.disposition or tuple(tap.seen) != seen:
                print(f"THE CLEAN RUN CHANGED: {outcome.disposition}, {outcome.reason}")
    print(f"{len(tap.told)} cases in {time.monotonic() - begun:.0f} s")
    for word, times in sorted(tap.counts.items()):
        print(f"{times:5}  {word}")


if __name__ == "__main__":
    main()
