"""What is said and done of a unit goes on record once, in order, and a change to it shows."""

from __future__ import annotations

import csv
import hashlib
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


def test_a_row_holds_its_unit_time_kind_words_and_the_row_before_by_its_digest(
    cases: Cases,
) -> None:
    with path_of(cases).open(encoding="utf-8", newline="") as file:
        header, first, _, third, *_ = csv.reader(file)
    assert header == ["serial", "time_utc", "kind", "text", "by", "follows", "sha256"]
    assert first[:6] == [
        "A-1",
        "2026-03-02T09:00:00.000Z",
        "complaint",
        "hums, and gets hot",
        "the owner",
        "",
    ]
    line = 'A-1,2026-03-02T09:00:00.000Z,complaint,"hums, and gets hot",the owner,\r\n'
    assert first[6] == hashlib.sha256(line.encode()).hexdigest() == third[5]


def test_an_entry_without_a_time_is_of_now_and_goes_by_utc(cases: Cases) -> None:
    begun = datetime.now(UTC).replace(microsecond=0)
    cases.add("A-1", "answer", "only on the left")
    time = cases.entries("A-1")[-1].time
    assert time is not None and begun <= time <= datetime.now(UTC)


def test_an_entry_whose_time_a_hand_spoilt_is_told_with_its_line(cases: Cases) -> None:
    edit(cases, "2026-03-02T10:00:00.000Z", "at ten")
    with pytest.raises(RecordError) as refused:
        cases.entries("A-1")
    assert refused.value.found.startswith("line 3: 'at ten' is no time")


@pytest.mark.parametrize(
    ("text", "found", "expected"),
    [("?", "'?' says nothing", "a few words"), ("x" * 2001, "2001 characters", "at most 2000")],
)
def test_what_is_not_taken_is_told_with_what_would_be(
    cases: Cases, text: str, found: str, expected: str
) -> None:
    with pytest.raises(UsageError) as refused:
        cases.add("A-1", "work", text)
    assert (refused.value.found, refused.value.expected) == (found, expected)
    assert refused.value.where == "work of A-1"


def test_a_photograph_whose_note_is_too_long_leaves_no_file_behind(cases: Cases) -> None:
    with pytest.raises(UsageError, match="characters"):
        cases.add_photo("A-1", b"a picture", "x" * LONGEST)
    assert not (cases.folder / "cases").exists()
    assert len(cases.entries("A-1")) == 3


def test_every_change_to_a_case_is_told_not_the_first_alone(cases: Cases) -> None:
    photo = cases.add_photo("A-1", b"a picture", "the fuse", "N. N.")
    lines = path_of(cases).read_text(encoding="utf-8").splitlines(keepends=True)
    lines[1] = lines[1].replace("gets hot", "gets warm")
    path_of(cases).write_text("".join(lines[:3] + lines[4:]), encoding="utf-8")
    photo.unlink()
    assert cases.lost("A-1") == (
        "line 2 of cases.csv is not as it was written",
        "the row before line 4 of cases.csv is gone",
        f"photograph {photo.name[:12]}… is gone",
    )
