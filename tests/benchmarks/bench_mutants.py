"""Do the tests notice when a rule is gone? Small mistakes put into the code, one at a time.

    python tests/benchmarks/bench_mutants.py                     # every group, 60 mutants each
    python tests/benchmarks/bench_mutants.py measure --each 200  # one group
    python tests/benchmarks/bench_mutants.py seqrun/judge/risk.py --all

The tests of a group are collected once, and run once to see which lines each of them reaches. Then
the process forks for every mutant: the child swaps the changed code into the running functions and
runs the tests that reach the line, quickest first, until one is red. What tests do in processes of
their own is not seen. What becomes of a mutant:

killed      a test is red, or waits for ever
lived       every test that could notice was run, and is green
unreached   no test comes to the line
stopped     its tests took longer than ``--seconds``: whether one of the others notices is not known
left        not run: the group's ``--minutes`` were over
dropped     the change cannot be put into the running modules: nothing is known
equivalent  ``equivalent_mutants.toml`` says why no test could notice; not run

The share is of killed, lived, unreached and stopped together: what is not known is not counted as
noticed. Prints a table and every mutant that was not killed; exits 1 when a goal is missed, or when
an entry of equivalent_mutants.toml fits no mutant any more. Needs ``coverage``.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # a forked process has no threads of its own
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import gc
import importlib
import math
import pickle
import random
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from mutation import Mutant, mutants
from swapping import lines_of, live_functions, module_of, swap


@dataclass(frozen=True)
class Group:
    """What is changed, the share that has to be noticed, and the tests that may notice."""

    goal: float
    sources: tuple[str, ...]
    tests: tuple[str, ...]


GROUPS = {
    "judge": Group(
        0.92, ("seqrun/judge",), ("tests/judge", "tests/outside/test_decision_rules.py")
    ),
    "record": Group(0.92, ("seqrun/record",), ("tests/record", "tests/runner/test_answering.py")),
    "runner": Group(
        0.92,
        (
            "seqrun/runner/safe.py",
            "seqrun/runner/trips.py",
            "seqrun/runner/engine.py",
            "seqrun/runner/lent.py",
        ),
        ("tests/runner",),
    ),
    "plan": Group(
        0.92,
        ("seqrun/plan",),
        (
            "tests/plan",
            "tests/steps/test_step_contract.py",
            "tests/runner/test_by_hand.py",
            "tests/runner/test_front_panel_protection.py",
            "tests/runner/test_left_out_steps.py",
            "tests/runner/test_plain_supply.py",
            "tests/runner/test_units_that_keep_to_themselves.py",
        ),
    ),
    "measure": Group(0.85, ("seqrun/measure",), ("tests/measure", "tests/outside")),
    "steps": Group(
        0.85,
        ("seqrun/steps",),
        ("tests/steps", "tests/plan/test_what_the_bench_cannot_do.py"),
    ),
    "instruments": Group(
        0.85,
        ("seqrun/instruments",),
        (
            "tests/instruments",
            "tests/outside/test_pyvisa_sim.py",
            "tests/runner/test_readings_typed_in.py",
        ),
    ),
}


Reached = dict[tuple[str, int], list[str]]  # file and line: the tests that reach it


def _files(source: str) -> list[Path]:
    path = ROOT / source
    return sorted(path.rglob("*.py")) if path.is_dir() else [path]


class Driver:
    """A pytest plugin: instead of running the tests it runs the mutants."""

    def __init__(self, group: Group, options: argparse.Namespace, say: Callable[[str], None]):
        self.group, self.options, self.say = group, options, say
        self.failed = False
        self.count: Counter[tuple[str, str]] = Counter()  # source of the group, and what became

    @pytest.hookimpl(trylast=True)
    def pytest_sessionstart(self) -> None:
        from hypothesis import Phase, settings

        # Found is enough: no shrinking, nothing kept for the next run, the same examples each time.
        phases = (Phase.explicit, Phase.generate)
        settings.register_profile(
            "mutants", database=None, deadline=None, derandomize=True, phases=phases
        )
        settings.load_profile("mutants")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.failed = self.failed or report.failed

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            raise session.Failed("the tests cannot be collected")
        self.items = {item.nodeid: item for item in session.items}
        files = [f for source in self.group.sources for f in _files(source)]
        begun = time.monotonic()
        lines, self.seconds = self._reach(files)
        spent = time.monotonic() - begun
        self.say(f"  {len(self.items)} tests, {sum(self.seconds.values()):.0f} s ({spent:.0f} s)")
        chosen = self._choose(files)
        for file in files:  # a test may import it only when it runs
            with suppress(ImportError):  # an extra that is not installed
                importlib.import_module(module_of(file))
        gc.unfreeze()  # what the tests' conftest froze is not among gc.get_objects()
        self.live = live_functions(files)
        gc.collect()
        gc.freeze()
        self._run(chosen, lines)
        return True

    def _choose(self, files: list[Path]) -> list[Mutant]:
        every = [m for file in files for m in mutants(file)]
        if self.options.line:
            every = [m for m in every if m.line in self.options.line]
        known = _equivalents()
        found = [m for m in every if _key(m) not in known]
        for mutant in every:
            if _key(mutant) in known:
                self._counts(mutant, "equivalent")
        every = found
        count = len(every) if self.options.all else min(len(every), self.options.each)
        return random.Random(self.options.seed).sample(every, count)

    def _reach(
        self, files: list[Path]
    ) -> tuple[dict[tuple[str, int], list[str]], dict[str, float]]:
        """Which tests reach a line, and how long each takes, from one run in a child."""
        with tempfile.TemporaryFile() as out:
            child = os.fork()
            if child == 0:
                _quiet()
                try:
                    out.write(pickle.dumps(self._traced(files)))
                    out.flush()
                finally:
                    os._exit(0)
            os.waitpid(child, 0)
            out.seek(0)
            reached, seconds, red = pickle.loads(out.read())
        if red:
            self.say(f"  red without any mutant, left out: {', '.join(red)}")
            for name in red:
                del self.items[name]
        return reached, seconds

    def _traced(self, files: list[Path]) -> tuple[Any, dict[str, float], list[str]]:
        import coverage

        cov = coverage.Coverage(
            data_file=None, config_file=False, include=[str(f) for f in files], messages=False
        )
        seconds, red = {}, []
        cov.start()
        for name, item, following in _in_order(list(self.items.values())):
            cov.switch_context(name)
            begun = time.monotonic()
            self.failed = False
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            seconds[name] = time.monotonic() - begun
            if self.failed:
                red.append(name)
        cov.stop()
        data = cov.get_data()
        reached = {
            (str(file), line): sorted(name for name in names if name)
            for file in files
            for line, names in data.contexts_by_lineno(str(file)).items()
        }
        return reached, seconds, red

    def _run(self, chosen: list[Mutant], lines: Reached) -> None:
        running: dict[int, tuple[Mutant, float, int]] = {}
        waiting = list(chosen)
        end = time.monotonic() + 60.0 * self.options.minutes
        while waiting or running:
            if time.monotonic() > end:
                for mutant in waiting:
                    self._counts(mutant, "left")
                waiting.clear()
            while waiting and len(running) < self.options.jobs:
                mutant = waiting.pop(0)
                names = self._tests(mutant, lines)
                if not names:
                    self._ends(mutant, "unreached", 0)
                    continue
                expected = sum(self.seconds[n] for n in names)
                child = os.fork()
                if child == 0:
                    os.setsid()
                    _quiet()
                    os._exit(self._child(mutant, names))
                limit = time.monotonic() + 10.0 * min(expected, self.options.seconds) + 30.0
                running[child] = (mutant, limit, len(names))
            self._reap(running)

    def _reap(self, running: dict[int, tuple[Mutant, float, int]]) -> None:
        for child, (mutant, limit, tests) in list(running.items()):
            done, status = os.waitpid(child, os.WNOHANG)
            if not done and time.monotonic() < limit:
                continue
            if not done:  # an endless loop is noticed by whoever waits for it
                os.killpg(child, signal.SIGKILL)
                os.waitpid(child, 0)
            del running[child]
            told = done and os.WIFEXITED(status)  # else the process fell over, or hangs
            self._ends(
                mutant, _ENDS.get(os.WEXITSTATUS(status), "killed") if told else "killed", tests
            )
        time.sleep(0.005)

    def _counts(self, mutant: Mutant, end: str) -> None:
        path = _short_path(mutant)
        (source,) = (s for s in self.group.sources if path == s or path.startswith(f"{s}/"))
        self.count[source, end] += 1

    def _ends(self, mutant: Mutant, end: str, tests: int) -> None:
        self._counts(mutant, end)
        if end != "killed":
            self.say(f"  {end}: {_short(mutant)} ({tests} tests)")

    def _tests(self, mutant: Mutant, lines: Reached) -> list[str]:
        """The tests to run: those that reach the line, then all that share a file with one (what a
        fixture or a cache did for the first is looked at by the others), quickest file first."""
        file = str(mutant.path)
        direct = [n for n in lines.get((file, mutant.line), []) if n in self.items]
        if not direct:
            inside = any(
                mutant.line in lines_of(functions[0].__code__)
                for (path, _, _), functions in self.live.items()
                if path == file
            )
            if inside:
                return []
            # a constant or a default: every test that reaches anything in the file
            direct = sorted({n for (f, _), names in lines.items() if f == file for n in names})
            direct = [n for n in direct if n in self.items]
            # nothing in it is a function: any test may read what it says
            direct = direct or list(self.items)
        cost: dict[str, float] = defaultdict(float)
        for name in direct:
            cost[_file_of(name)] += self.seconds[name]
        first = sorted(direct, key=lambda n: (cost[_file_of(n)], _file_of(n), self.seconds[n]))
        taken = set(first)
        rest = [n for n in self.items if _file_of(n) in cost and n not in taken]
        rest.sort(key=lambda n: (cost[_file_of(n)], _file_of(n), self.seconds[n]))
        return first + rest

    def _child(self, mutant: Mutant, names: list[str]) -> int:
        """The exit code that :data:`_ENDS` reads; 1: a test is red."""
        try:
            if not swap(mutant, self.live):
                return 3
        except Exception:  # the module does not even load: any test would see that
            return 1
        begun = time.process_time()  # others may be at work on this machine
        for _, item, following in _in_order([self.items[n] for n in names]):
            self.failed = False
            try:
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            except BaseException:
                return 1
            if self.failed:
                return 1
            if following is not None and time.process_time() - begun > self.options.seconds:
                return 4
        return 0


_ENDS = {0: "lived", 3: "dropped", 4: "stopped"}  # by the exit code of a mutant's process


def _key(mutant: Mutant) -> tuple[str, str, str]:
    return _short_path(mutant), mutant.text, mutant.what


@cache
def _equivalents() -> dict[tuple[str, str, str], str]:
    """Mutants that no test can notice: file, source line and change; and the reason."""
    text = (Path(__file__).parent / "equivalent_mutants.toml").read_text(encoding="utf-8")
    entries = tomllib.loads(text).get("equivalent", [])
    return {(e["file"], e["line"], e["change"]): e["why"] for e in entries}


def _gone() -> list[tuple[str, str, str]]:
    """Entries that fit no mutant any more: the line or the driver has changed."""
    files = {file for file, _, _ in _equivalents() if (ROOT / file).exists()}
    there = {_key(m) for file in files for m in mutants(ROOT / file)}
    return [entry for entry in _equivalents() if entry not in there]


def _in_order(items: list[Any]) -> Iterator[tuple[str, Any, Any]]:
    for item, following in zip(items, [*items[1:], None], strict=True):
        yield item.nodeid, item, following


def _file_of(name: str) -> str:
    return name.split("::")[0]


def _short(mutant: Mutant) -> str:
    return str(mutant).replace(f"{ROOT}/", "")


def _short_path(mutant: Mutant) -> str:
    return mutant.path.relative_to(ROOT).as_posix()


def _quiet() -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)


def run(
    name: str, group: Group, options: argparse.Namespace, kind: type[Driver] = Driver
) -> Driver:
    """All mutants of one group."""
    terminal = os.fdopen(os.dup(1), "w", buffering=1)

    def say(text: str) -> None:
        print(text, file=terminal)

    say(f"{name}:")
    driver = kind(group, options, say)
    paths = [t for t in group.tests if (ROOT / t.split("::")[0]).exists()]
    os.chdir(ROOT)
    flags = ["-o", "addopts=", "-p", "no:cacheprovider", "-p", "no:terminal", "-p", "no:xdist"]
    pytest.main([*flags, *paths], plugins=[driver])
    return driver


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("what", nargs="*", help=f"{', '.join(GROUPS)}, or files of these")
    parser.add_argument("--each", type=int, default=60, help="mutants of each group (60)")
    parser.add_argument("--all", action="store_true", help="every mutant")
    parser.add_argument("--seed", type=int, default=1, help="of the choice (1)")
    parser.add_argument("--seconds", type=float, default=20.0, help="of tests for a mutant (20)")
    parser.add_argument(
        "--minutes", type=float, default=60.0, help="for the mutants of a group; then it ends (60)"
    )
    parser.add_argument("--jobs", type=int, default=1, help="mutants at a time (1)")
    parser.add_argument("--line", type=int, action="append", help="only mutants of this line")
    parser.add_argument("--tests", nargs="+", help="tests instead of the group's own")
    options = parser.parse_args()
    table = []
    for name in options.what or GROUPS:
        # Each group in a process of its own: pytest collects for one.
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            group = _group(name)
            if options.tests:
                group = Group(group.goal, group.sources, tuple(options.tests))
            begun = time.monotonic()
            done = run(name, group, options)
            result = (name, dict(done.count), group.goal, time.monotonic() - begun)
            os.write(write, pickle.dumps(result))
            os._exit(0)
        os.close(write)
        os.waitpid(child, 0)
        with os.fdopen(read, "rb") as answer:
            table.append(pickle.loads(answer.read()))
    missed = False
    print(f"\nseed {options.seed}\n{'group':<32}{'share':>7}{'95 %':>9}{'goal':>6}{'s':>6}", end="")
    print("".join(f"{column:>11}" for column in COLUMNS))
    for name, count, goal, seconds in table:
        sources = sorted({source for source, _ in count})
        whole = Counter[str]()
        for source in sources:
            ends = Counter({end: n for (s, end), n in count.items() if s == source})
            whole += ends
            if len(sources) > 1:
                _row(source, ends, None, None)
        missed = _row(name, whole, goal, seconds) or missed
    for entry in _gone():
        missed = True
        print(f"equivalent_mutants.toml: fits no mutant: {' | '.join(entry)}")
    return int(missed)


COLUMNS = ("killed", "lived", "unreached", "stopped", "left", "dropped", "equivalent")


def _row(name: str, count: Counter[str], goal: float | None, seconds: float | None) -> bool:
    """Print a line of the table, with the interval that holds the share of all mutants in 95 % of
    samples (Wilson); whether the goal is missed."""
    known = sum(count.get(column, 0) for column in COLUMNS[:4])
    share = count.get("killed", 0) / max(known, 1)
    z = 1.96
    middle = (share + z * z / (2 * max(known, 1))) / (1 + z * z / max(known, 1))
    half = math.sqrt(share * (1 - share) * max(known, 1) + z * z / 4) * z / (max(known, 1) + z * z)
    print(f"{name:<32}{100 * share:>6.1f}%", end="")
    print(f"{100 * (middle - half):>5.0f}-{100 * (middle + half):<3.0f}", end="")
    print("" if goal is None else f"{100 * goal:>4.0f}%", end="")
    print("" if seconds is None else f"{seconds:>6.0f}", end="" if goal is not None else " " * 11)
    missed = goal is not None and share < goal
    told = "".join(f"{count.get(column, 0):>11}" for column in COLUMNS)
    print(f"{told}{'  missed' if missed else ''}")
    return missed


def _group(name: str) -> Group:
    if name in GROUPS:
        return GROUPS[name]
    path = str(Path(name).resolve().relative_to(ROOT)) if Path(name).exists() else name
    for group in GROUPS.values():
        if any(path == s or path.startswith(f"{s}/") for s in group.sources):
            return Group(group.goal, (path,), group.tests)
    raise SystemExit(f"{name}: not one of {', '.join(GROUPS)}, nor a file of these")


if __name__ == "__main__":
    sys.exit(main())
