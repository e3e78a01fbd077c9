"""Folders of several benches, merged in any order and any number of times, hold the same."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import permutations
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from seqrun.record import RunInfo, Store, load_run, merge
from seqrun.values import Disposition, Judged, Reading, Verdict

#: what one bench does with a run: how many readings, whether it ends it
RUNS = st.lists(st.tuples(st.integers(0, 3), st.booleans()), max_size=2)
MARK = re.compile(r"\.[0-9a-f]{8}(?=\.)")


def count(value: float) -> Judged:
    return Judged(Reading("n", "", value), "count", None, "simple", Verdict.NONE, None)


def a_run(folder: Path, serial: str, readings: int, ended: bool) -> str:
    record = Store(folder).start(RunInfo(serial, "Demo 2x40", "acceptance"))
    for n in range(readings):
        record.reading(count(float(n)))
    record.trace("heat", {"time_s": [0.0, 1.0]})
    record.message_log()("supply", ">", "*RST")
    if ended:
        record.finish(Disposition.HOLD, "done")
    else:
        record.flush()
    return record.run_id


@contextmanager
def benches(*each: list[tuple[int, bool]]) -> Iterator[tuple[Path, list[Path]]]:
    """A place to work in, and a results folder of every bench."""
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        folders = []
        for number, runs in enumerate(each):
            folder = place / f"bench-{number}"
            for n, (readings, ended) in enumerate(runs):
                a_run(folder, f"B{number}-{n}", readings, ended)
            if runs:
                folders.append(folder)
        yield place, folders


def rows(folder: Path) -> Counter[tuple[str, ...]]:
    store = Store(folder)
    tables = (store.runs_table, store.readings_table)
    return Counter(tuple(cells) for table in tables for _, cells in table.rows())


def contents(folder: Path) -> set[tuple[str, bytes]]:
    """Every file of every run by its plain name."""
    return {
        (MARK.sub("", str(path.relative_to(folder))), path.read_bytes())
        for run in Store(folder).folders()
        for path in run.rglob("*")
        if path.is_file()
    }


@settings(max_examples=7)
@given(RUNS, RUNS, RUNS)
def test_merging_again_changes_nothing_and_the_order_does_not_matter(
    one: list[tuple[int, bool]], two: list[tuple[int, bool]], three: list[tuple[int, bool]]
) -> None:
    with benches(one, two, three) as (place, folders):
        found = []
        for number, order in enumerate(permutations(folders)):
            target = place / f"all-{number}"
            for folder in (*order, *order[:1]):
                merge(target, folder)
            found.append((rows(target), contents(target)) if order else None)
        assert all(other == found[0] for other in found)
        if folders:
            lost = sum((rows(folder) for folder in folders), Counter[tuple[str, ...]]())
            assert rows(place / "all-0") == lost


@settings(max_examples=6)
@given(st.integers(0, 3), st.integers(0, 3))
def test_an_earlier_copy_of_a_run_adds_nothing_to_the_finished_one(first: int, then: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        record = Store(place / "bench").start(RunInfo("B-1", "Demo 2x40", "acceptance"))
        for n in range(first):
            record.reading(count(float(n)))
        shutil.copytree(place / "bench", place / "copy")  # taken away while the run goes on
        for n in range(then):
            record.reading(count(10.0 + n))
        record.finish(Disposition.HOLD, "done")
        orders = (("copy", "bench"), ("bench", "copy"), ("bench", "copy", "bench", "copy"))
        for number, order in enumerate(orders):
            target = place / f"all-{number}"
            for folder in order:
                merge(target, place / folder)
            assert rows(target) == rows(place / "bench")
            assert contents(target) == contents(place / "bench")
            assert load_run(target, "last").run.disposition is Disposition.HOLD


def test_files_that_differ_are_all_kept_in_either_order(tmp_path: Path) -> None:
    run_id = a_run(tmp_path / "one", "B-1", 1, True)
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    for name in ("one", "two"):
        (tmp_path / name / run_id / "report.html").write_text(name)
    kept = []
    for number, order in enumerate((("one", "two"), ("two", "one"))):
        target = tmp_path / f"all-{number}"
        for name in (*order, *order):
            merge(target, tmp_path / name)
        kept.append(contents(target))
        assert len(list((target / run_id).glob("report*.html"))) == 2
    assert kept[0] == kept[1]
    # and what was merged in different orders merges without a third copy
    merge(tmp_path / "all-0", tmp_path / "all-1")
    assert len(list((tmp_path / "all-0" / run_id).glob("report*.html"))) == 2


def test_of_two_copies_of_a_run_that_goes_on_the_longer_file_stays(tmp_path: Path) -> None:
    run_id = a_run(tmp_path / "bench", "B-1", 1, False)
    shutil.copytree(tmp_path / "bench", tmp_path / "copy")
    log = Path("bench") / run_id / "messages.log"
    (tmp_path / log).write_text("0.1 supply > *RST\n0.2 supply > OUTP 1\n")
    (tmp_path / "copy" / run_id / "messages.log").write_text("0.1 supply > *RST\n")
    for number, order in enumerate((("bench", "copy"), ("copy", "bench"))):
        target = tmp_path / f"all-{number}"
        for name in (*order, *order):
            merge(target, tmp_path / name)
        (kept,) = (target / run_id).glob("messages*")
        assert kept.read_text().endswith("OUTP 1\n")
