"""Is a test red for every rule that keeps the unit, and whoever is at it, safe?

    python tests/benchmarks/bench_rules.py                        # every rule
    python tests/benchmarks/bench_rules.py seqrun/runner/safe.py  # those of one file
    python tests/benchmarks/bench_rules.py seqrun/plan --tests tests/plan
    python tests/benchmarks/bench_rules.py --rule papers ramp     # those with a word in their name

``rules.toml`` lists the rules of plan and runner with what switches each off. One after the other
is put into the code, by the driver of ``bench_mutants.py``, and the tests that reach its line are
run until one is red. Prints a line for each rule, and a count; exits 1 when a rule can go
unnoticed, or when an entry fits the code no more.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from bench_mutants import Driver, Group, run
from mutation import Mutant

TESTS = (
    "tests/plan",
    "tests/runner",
    "tests/breaking/test_typed_ahead.py",
    "tests/breaking/test_what_stands_against_an_accept.py",
)


def rules(within: list[str], words: list[str]) -> tuple[list[Mutant], list[str]]:
    """The rules of files that begin so, or named with one of the words (none: all), and the entries
    that fit the code no more."""
    entries = tomllib.loads((Path(__file__).parent / "rules.toml").read_text("utf-8"))["rule"]
    found: list[Mutant] = []
    stale: list[str] = []
    for entry in entries:
        if within and not any(entry["file"].startswith(part) for part in within):
            continue
        if words and not any(word in entry["rule"] for word in words):
            continue
        path, was, becomes = ROOT / entry["file"], entry["was"], entry["becomes"]
        text = path.read_text(encoding="utf-8")
        if text.count(was) != 1:
            stale.append(entry["rule"])
            continue
        at = text.index(was)
        becomes += "\n" * (was.count("\n") - becomes.count("\n"))  # functions stay on their lines
        same = next((n for n, (a, b) in enumerate(zip(was, becomes, strict=False)) if a != b), 0)
        line = text.count("\n", 0, at + same) + 1
        without = text[:at] + becomes + text[at + len(was) :]
        found.append(Mutant(path, len(found), line, entry["rule"], was, without))
    return found, stale


class Rules(Driver):
    """As it is, with the rules for mutants, and each that is noticed told as well."""

    mutants: list[Mutant] = []  # noqa: RUF012 - set once, before it is made

    def _choose(self, files: list[Path]) -> list[Mutant]:
        return [m for m in self.mutants if m.path in files]

    def _ends(self, mutant: Mutant, end: str, tests: int) -> None:
        self._counts(mutant, end)
        self.say(f"  {'red' if end == 'killed' else end}: {mutant.what} ({tests} tests)")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("within", nargs="*", help="files, or beginnings of their paths")
    parser.add_argument("--rule", nargs="+", default=[], help="words of the names of rules")
    parser.add_argument("--tests", nargs="+", default=TESTS, help="tests that may notice")
    parser.add_argument("--seconds", type=float, default=60.0, help="of tests for a rule (60)")
    options = parser.parse_args()
    chosen, stale = rules(options.within, options.rule)
    Rules.mutants = chosen
    sources = tuple(sorted({m.path.relative_to(ROOT).as_posix() for m in chosen}))
    options.minutes, options.jobs = 600.0, 1
    done = run("rules", Group(1.0, sources, tuple(options.tests)), options, Rules)
    ends = Counter[str]()
    for (_, end), count in done.count.items():
        ends[end] += count
    print(", ".join(f"{count} {end}" for end, count in ends.items()))
    for rule in stale:
        print(f"rules.toml fits the code no more: {rule}")
    return int(bool(stale) or ends["killed"] < len(chosen))


if __name__ == "__main__":
    sys.exit(main())
