"""Runs that are killed, told to end, or lose their disk or terminal in the middle.

``tests/benchmarks/bench_breaking.py kills`` does this at many more moments.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from ending import SHORT, Run, ServedBench, complaints, served

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="it forks")

POWERED = 150  # messages into the run: the rails are up, and readings are on record


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
    with served(tmp_path_factory.mktemp("bench")) as one:
        yield one


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    text, count = re.subn(r'\[\[step\]\]\nid = "(relays|gain)"\n(?:[^\[].*\n)*', "", SHORT)
    assert count == 2  # what takes long and breaks nothing
    (tmp_path / "sequence.toml").write_text(text, encoding="utf-8")
    return tmp_path


def test_after_a_kill_the_next_run_tells_and_brings_the_bench_down(
    bench: ServedBench, folder: Path
) -> None:
    killed = Run(folder, bench, POWERED, "SIGKILL").go()
    assert killed.was_on  # nobody could switch it off
    after = Run(folder, bench, POWERED // 2, "SIGTERM")
    ended = after.go()
    said = " ".join(ended.said.split())
    assert "did not end" in said
    assert "found on: supply" in said
    assert not list(complaints(after, ended))


@pytest.mark.parametrize("what", ["terminal gone", "disk full", "older copy"])
def test_whatever_is_taken_from_a_run_it_ends_safely_and_is_no_accept(
    bench: ServedBench, folder: Path, what: str
) -> None:
    run = Run(folder, bench, POWERED, what)
    ended = run.go()
    assert ended.happened
    assert not list(complaints(run, ended))
    assert ended.code in (3, 4)
