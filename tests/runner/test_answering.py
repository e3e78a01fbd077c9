"""A finding that alone holds a run can be answered, with a reason that goes on record."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_runs import run

from seqrun.errors import SeqrunError, UsageError
from seqrun.judge.findings import Finding, Findings
from seqrun.record import RecordError, Store
from seqrun.record.answer import answer
from seqrun.runner import findings as runner_findings
from seqrun.values import Disposition

WHY = "the sensor had come off, was put back, and the rise is as before"


@pytest.fixture
def suspicious(monkeypatch: pytest.MonkeyPatch) -> None:
    cause = Finding("x", "a sensor that fell off", "bench", "s", "section", 0.6, "look", ())
    found = Findings((cause,), 0.4, "", (), "", ())
    monkeypatch.setattr(runner_findings, "findings_of", lambda *_: found)


@pytest.mark.usefixtures("suspicious")
def test_a_stated_reason_takes_a_held_run_to_accept_and_stays_on_record(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, short_sequence())
    assert outcome.disposition is Disposition.HOLD
    answer(tmp_path, "last", WHY, "N. N.")
    row = Store(tmp_path).run("last")
    assert row.disposition is Disposition.ACCEPT
    assert WHY in row.reason
    assert "N. N." in row.reason
    assert "a sensor that fell off" in row.reason
    assert Store(tmp_path).verify(row.run_id) == {row.run_id: ()}
    assert len(Store(tmp_path).runs()) == 1
    with pytest.raises(RecordError):  # it is accepted already
        answer(tmp_path, "last", WHY, "N. N.")


@pytest.mark.usefixtures("suspicious")
@pytest.mark.parametrize(("why", "by"), [("", "N. N."), ("fine", "N. N."), (WHY, " ")])
def test_no_reason_or_nobody_answers_nothing(
    tmp_path: Path, short_sequence: Callable[..., str], why: str, by: str
) -> None:
    run(tmp_path, short_sequence())
    with pytest.raises(UsageError):
        answer(tmp_path, "last", why, by)
    assert Store(tmp_path).run("last").disposition is Disposition.HOLD


@pytest.mark.usefixtures("suspicious")
def test_a_run_that_shows_nothing_of_it_is_no_measurement(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    first = run(tmp_path, short_sequence()).run_id
    second = run(tmp_path, short_sequence()).run_id  # held as well
    with pytest.raises(UsageError, match="later, accepted"):
        answer(tmp_path, first, WHY, "N. N.", second)


@pytest.mark.usefixtures("suspicious")
def test_a_record_that_lost_rows_is_not_answered_for(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    run(tmp_path, short_sequence())
    table = tmp_path / "readings.csv"
    table.write_bytes(b"".join(table.read_bytes().splitlines(keepends=True)[:-1]))
    with pytest.raises(RecordError, match="not whole"):
        answer(tmp_path, "last", WHY, "N. N.")


@pytest.mark.parametrize("fault", ["", "dc_offset@left=0.6"])
def test_an_accept_and_a_reject_are_not_answered(
    tmp_path: Path, short_sequence: Callable[..., str], fault: str
) -> None:
    run(tmp_path, short_sequence(), *([fault] if fault else []))
    with pytest.raises(SeqrunError, match="not held for a finding"):
        answer(tmp_path, "last", WHY, "N. N.")
