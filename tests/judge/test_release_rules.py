"""What a release rests on: one whole, confirmed, releasing accept, and nothing later against it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from seqrun.errors import UsageError
from seqrun.judge.release import refuse_before, refuse_release
from seqrun.record import RunRow
from seqrun.values import Disposition

RUN = RunRow(
    *("20260105T090000000Z-A-1-000000", "2026-01-05T09:00:00Z", "2026-01-05T10:00:00Z", "A-1"),
    *("Example", "acceptance", "A", "bench", "me", Disposition.ACCEPT, "", False, "0"),
)
LATER = replace(RUN, run_id="20260106T090000000Z-A-1-000000", started_utc="2026-01-06T09:00:00Z")


def test_an_accept_that_releases_is_not_refused() -> None:
    refuse_release(RUN, releases=True, others=[RUN, LATER])


@pytest.mark.parametrize("word", [Disposition.HOLD, Disposition.REJECT, Disposition.ABORTED])
def test_only_an_accept_releases(word: Disposition) -> None:
    with pytest.raises(UsageError, match=word.value):
        refuse_release(replace(RUN, disposition=word), releases=True)


def test_a_run_that_did_not_end_releases_nothing() -> None:
    with pytest.raises(UsageError, match="not finished"):
        refuse_release(replace(RUN, ended_utc=""), releases=True)


def test_a_record_that_lost_rows_releases_nothing() -> None:
    with pytest.raises(UsageError, match="not whole: 3 rows are gone"):
        refuse_release(RUN, releases=True, missing=["3 rows are gone"])


def test_a_bench_not_shown_to_be_off_releases_nothing() -> None:
    with pytest.raises(UsageError, match="could not be confirmed: supply"):
        refuse_release(RUN, releases=True, unconfirmed=["supply"])


def test_a_later_run_that_says_otherwise_stands_in_the_way() -> None:
    later = replace(LATER, disposition=Disposition.REJECT)
    with pytest.raises(UsageError, match="later run of this unit is reject"):
        refuse_release(RUN, releases=True, others=[later])
    for other in (replace(later, serial="A-2"), replace(later, simulated=True)):
        refuse_release(RUN, releases=True, others=[other])


def test_the_run_before_is_an_earlier_one_of_the_same_unit() -> None:
    refuse_before(LATER, RUN)
    with pytest.raises(UsageError, match="not an earlier"):
        refuse_before(RUN, LATER)
    with pytest.raises(UsageError, match="run before is of"):
        refuse_before(LATER, replace(RUN, serial="A-2"))
