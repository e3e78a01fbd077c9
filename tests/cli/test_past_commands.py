"""Commands about runs on record: what they print, write, and answer to wrong use."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from seqrun.judge import decide, dispose
from seqrun.record import RunInfo, Store
from seqrun.values import Contribution, Limit, Reading, Source

Seqrun = Callable[..., Any]
WORDS = ("--fault-found", "A dead transistor.", "--work-done", "Replaced.")


def a_run(folder: str, volts: float, serial: str = "EX-1", day: int = 1) -> str:
    budget = (Contribution(Source("all"), 0.0005),)
    reading = Reading("dc_offset", "V", volts, budget, "left")
    judged = [decide(reading, Limit(-0.05, 0.05), "guarded", "offset.left")]
    info = RunInfo(serial, "Example 2x40", "acceptance", operator="bench 2")
    record = Store(folder).start(info, datetime(2026, 5, day, tzinfo=UTC))
    record.facts({"releases": True})
    record.reading(judged[0])
    record.finish(*dispose(judged, "guarded"))
    return record.run_id


@pytest.fixture
def repaired(seqrun: Seqrun) -> tuple[str, str]:
    """A run before and one after the repair, in the results folder of an otherwise empty place."""
    return a_run("results", 0.2), a_run("results", 0.003, day=2)


def test_compare_prints_and_writes_table_and_page(
    seqrun: Seqrun, repaired: tuple[str, str]
) -> None:
    answer = seqrun("compare", *repaired, "--csv", "c.csv", "--page", "c.html")
    assert answer.code == 0
    assert "1 changed" in answer.out
    assert "changed" in Path("c.csv").read_text(encoding="utf-8")
    assert "Before and after" in Path("c.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("compare", "last", "last"), "both are the same run"),
        (("compare", "nothing", "last"), "no run is named 'nothing'"),
        (("compare", "EX-1", "last"), "both are the same run"),
        (("compare", "2026050", "last"), "several runs are named '2026050'"),
        (("compare", "20260501"), "two runs, or the serial number of a unit with two"),
        (("release", "EX-1", "--fault-found", "x"), "the sheet lacks --work-done"),
        (("compare", "20260501", "last", "--matters", "lots"), "--matters"),
        (("compare", "20260501", "last", "--matters", "0"), "more than 0"),
        (("compare", "20260501", "last", "--page", "no/such.html"), "cannot be written"),
        (("compare", "20260501", "last", "--csv", "no/such.csv"), "cannot be written"),
        (("history", "EX-9"), "EX-1"),
        (("history", "EX-1", "--model", "Example 2x40"), "one of them"),
        (("history", "--simulated"), "leave --simulated away"),
        (("merge", "results"), "the same results folder"),
        (("merge", "nowhere"), "no record is there"),
        (("release", "last", "--fault-found", "x", "--work-done", " "), "--work-done"),
        (("release", "20260501", *WORDS), "the run is reject"),
    ],
)
def test_wrong_use_is_told_with_exit_2(
    seqrun: Seqrun, repaired: tuple[str, str], words: tuple[str, ...], said: str
) -> None:
    answer = seqrun(*words)
    assert answer.code == 2
    assert answer.err.startswith("seqrun: ")
    assert said in answer.err


def test_release_of_a_rejected_run_is_refused_and_writes_nothing(
    seqrun: Seqrun, repaired: tuple[str, str]
) -> None:
    answer = seqrun("release", repaired[0], *WORDS)
    assert answer.code == 2
    assert not list(Path("results").rglob("release.html"))


def test_release_of_the_accepted_run_lies_in_its_folder(
    seqrun: Seqrun, repaired: tuple[str, str]
) -> None:
    answer = seqrun("release", "last", *WORDS, "--before", repaired[0])
    assert answer.code == 0, answer.err
    page = (Path("results") / repaired[1] / "release.html").read_text(encoding="utf-8")
    assert "A dead transistor." in page


def test_history_of_a_unit_and_of_its_model(seqrun: Seqrun, repaired: tuple[str, str]) -> None:
    unit = seqrun("history", "EX-1", "--page", "unit.html")
    assert "2 runs" in unit.out
    model = seqrun("history", "--page", "model.html")
    assert "1 of 1 unit accepted by the latest run" in model.out
    assert Path("unit.html").is_file()
    assert Path("model.html").is_file()


def test_merge_says_what_it_added_and_then_that_there_is_nothing(
    seqrun: Seqrun, repaired: tuple[str, str]
) -> None:
    a_run("theirs", 0.01, "EX-2")
    first = seqrun("merge", "theirs")
    assert first.out == "added to results: 1 run, 1 reading, 2 files\n"
    again = seqrun("merge", "theirs")
    assert again.out == "results has everything of theirs already\n"


def test_a_serial_number_stands_for_the_run_that_is_plainly_meant(
    seqrun: Seqrun, repaired: tuple[str, str]
) -> None:
    before, after = repaired
    answer = seqrun("compare", "EX-1")
    assert answer.code == 0
    assert answer.out.index(before) < answer.out.index(after)
    assert "Cured: DC offset, left" in answer.out
    assert f"latest run is {after}" in seqrun("report", "EX-1").out
    sheet = seqrun("release", "EX-1", *WORDS)
    assert sheet.code == 0
    assert f"latest accepted run is {after}" in sheet.out


def test_a_units_complaint_is_compared_with_the_run_that_read_it(
    seqrun: Seqrun, tmp_path: Path
) -> None:
    """The last run before the repair cut the section out and read something else."""
    folder = str(tmp_path / "r")

    def on_record(sequence: str, quantity: str, volts: float, day: int) -> str:
        reading = Reading(quantity, "V", volts, (Contribution(Source("all"), 0.0005),), "left")
        judged = [decide(reading, Limit(-0.05, 0.05), "guarded", "offset.left")]
        info = RunInfo("EX-9", "Example 2x40", sequence, operator="bench 2")
        record = Store(folder).start(info, datetime(2026, 5, day, tzinfo=UTC))
        record.facts({"releases": sequence == "acceptance"})
        record.reading(judged[0])
        record.finish(*dispose(judged, "guarded"))
        return record.run_id

    intake = on_record("intake", "dc_offset", 0.3, 1)
    on_record("isolate", "offset_disturbance", 0.3, 2)
    on_record("acceptance", "dc_offset", 0.003, 3)
    out = seqrun("compare", "EX-9", "--results", folder).out
    assert f"{intake} (intake, reject) before" in " ".join(out.split())
    assert "Cured: " in out
