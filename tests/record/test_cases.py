"""What is said and done of a unit goes on record once, in order, and a change to it shows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from seqrun.errors import UsageError
from seqrun.record import RecordError, Store
from seqrun.record.case_rows import CaseEntry
from seqrun.record.cases import LONGEST, Cases

MORNING = datetime(2026, 3, 2, 9, tzinfo=UTC)


@pytest.fixture
def cases(tmp_path: Path) -> Cases:
    """One unit complained of, looked at and mended; another only complained of."""
    found = Cases(Store(tmp_path))
    found.add("A-1", "complaint", "hums, and gets hot", "the owner", MORNING)
    found.add("B-2", "complaint", "silent", "the owner", MORNING + timedelta(hours=1))
    found.add("A-1", "answer", "no smell", "the owner", MORNING + timedelta(hours=2))
    found.add("A-1", "work", "new reservoir capacitors", "N. N.", MORNING + timedelta(hours=3))
    return found


def path_of(cases: Cases) -> Path:
    return cases.table.path


def edit(cases: Cases, was: str, becomes: str) -> None:
    text = path_of(cases).read_text(encoding="utf-8")
    assert was in text
    path_of(cases).write_text(text.replace(was, becomes), encoding="utf-8")


def test_the_entries_of_a_unit_come_back_as_they_were_said(cases: Cases) -> None:
    found = cases.entries("A-1")
    assert [(e.kind, e.text, e.by) for e in found] == [
        ("complaint", "hums, and gets hot", "the owner"),
        ("answer", "no smell", "the owner"),
        ("work", "new reservoir capacitors", "N. N."),
    ]
    assert found[0].time == MORNING
    assert [e.follows for e in found] == ["", found[0].sha256, found[1].sha256]


def test_entries_are_in_the_order_of_their_time(cases: Cases) -> None:
    cases.add("A-1", "answer", "said on the telephone before", "", MORNING - timedelta(days=1))
    assert cases.entries("A-1")[0].text == "said on the telephone before"


def test_the_first_word_of_a_unit_makes_the_folder_that_it_goes_into(tmp_path: Path) -> None:
    cases = Cases(Store(tmp_path / "2026" / "second bench"))
    cases.add("A-1", "complaint", "hums")
    assert [entry.text for entry in cases.entries("A-1")] == ["hums"]


def test_every_unit_that_something_was_said_of_is_listed_once(cases: Cases) -> None:
    cases.add("0-9", "complaint", "clicks")
    assert cases.serials() == ["0-9", "A-1", "B-2"]


def test_a_case_as_it_was_written_has_lost_nothing(cases: Cases) -> None:
    assert cases.lost("A-1") == cases.lost("B-2") == ()


def test_a_word_that_was_changed_shows_and_only_in_its_own_case(cases: Cases) -> None:
    edit(cases, "no smell", "a burnt smell")
    assert cases.lost("A-1") == ("line 4 of cases.csv is not as it was written",)
    assert cases.lost("B-2") == ()


def test_a_row_that_was_taken_out_shows_by_the_one_that_followed_it(cases: Cases) -> None:
    lines = path_of(cases).read_text(encoding="utf-8").splitlines(keepends=True)
    path_of(cases).write_text("".join(lines[:3] + lines[4:]), encoding="utf-8")
    assert cases.lost("A-1") == ("the row before line 4 of cases.csv is gone",)


@pytest.mark.parametrize("nothing", ["", "  ", "...!"])
def test_an_entry_that_says_nothing_is_refused(cases: Cases, nothing: str) -> None:
    with pytest.raises(UsageError, match="says nothing"):
        cases.add("A-1", "work", nothing)
    assert len(cases.entries("A-1")) == 3


def test_an_entry_as_long_as_a_page_is_taken_and_a_longer_one_refused(cases: Cases) -> None:
    cases.add("A-1", "work", "x" * LONGEST)
    with pytest.raises(UsageError, match=f"{LONGEST + 1} characters"):
        cases.add("A-1", "work", "x" * (LONGEST + 1))


def test_an_entry_of_no_known_kind_cannot_be_read(cases: Cases) -> None:
    edit(cases, ",answer,", ",rumour,")
    with pytest.raises(RecordError, match="'rumour' is none of complaint, answer, work"):
        cases.entries("A-1")


def test_a_text_that_looks_like_a_formula_comes_back_as_it_was_said(cases: Cases) -> None:
    cases.add("A-1", "answer", "=1+1 channels", "-N. N.")
    last = cases.entries("A-1")[-1]
    assert (last.text, last.by) == ("=1+1 channels", "-N. N.")
    assert isinstance(last, CaseEntry) and cases.lost("A-1") == ()
