"""What a release rests on: one whole, confirmed, releasing accept, and nothing later against it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest

from seqrun.errors import UsageError
from seqrun.judge.release import not_covered, refuse_before, refuse_beside, refuse_release
from seqrun.record import RunRow
from seqrun.values import Disposition, Verdict

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


# --- runs beside the one that releases -----------------------------------------------------------

BESIDE = replace(
    RUN,
    run_id="20260105T110000000Z-A-1-000000",
    started_utc="2026-01-05T11:00:00Z",
    sequence="preamp",
)


@dataclass(frozen=True)
class Work:
    time_utc: str
    text: str = "a relay replaced"


def beside(*runs: RunRow, **said: Any) -> None:
    refuse_beside(RUN, runs, **{"unconfirmed": {}, "missing": {}, **said})


def test_an_accept_of_another_sequence_of_the_same_unit_may_stand_beside() -> None:
    beside(BESIDE, others=[RUN, BESIDE])


def test_a_run_is_named_once() -> None:
    for runs in ((RUN,), (BESIDE, BESIDE)):
        with pytest.raises(UsageError, match="named twice"):
            beside(*runs)


@pytest.mark.parametrize("other", [{"serial": "A-2"}, {"model": "Other"}, {"simulated": True}])
def test_a_run_of_another_unit_or_bench_does_not_stand_beside(other: dict[str, Any]) -> None:
    with pytest.raises(UsageError, match="is of"):
        beside(replace(BESIDE, **other))


@pytest.mark.parametrize(
    ("other", "told"),
    [({"disposition": Disposition.HOLD}, "is hold"), ({"ended_utc": ""}, "is not finished")],
)
def test_a_run_that_is_no_accept_does_not_stand_beside(other: dict[str, Any], told: str) -> None:
    with pytest.raises(UsageError, match=told):
        beside(replace(BESIDE, **other))


@pytest.mark.parametrize("lack", ["missing", "unconfirmed"])
def test_a_run_that_lost_rows_or_was_not_shown_to_be_off_does_not_stand_beside(lack: str) -> None:
    with pytest.raises(UsageError, match="proves nothing: supply"):
        beside(BESIDE, **{lack: {BESIDE.run_id: ["supply"]}})
    beside(BESIDE, **{lack: {"another run": ["supply"]}})


def test_work_after_the_first_of_the_runs_makes_its_proof_old() -> None:
    beside(BESIDE, work=[Work("2026-01-05T08:00:00Z"), Work(RUN.started_utc)])
    for time_utc in ("2026-01-05T10:30:00Z", "2026-01-05T12:00:00Z"):
        with pytest.raises(
            UsageError, match=r"work was done on the unit after .*: a relay replaced"
        ):
            beside(BESIDE, work=[Work(time_utc)])


def test_work_on_record_since_an_accepted_run_stops_its_release() -> None:
    refuse_release(RUN, releases=True, work=[Work("2026-01-05T08:59:59Z")])
    with pytest.raises(UsageError, match=r"after 20260105.*\(acceptance\): a relay replaced"):
        refuse_release(RUN, releases=True, work=[Work("2026-01-05T10:00:01Z")])


def test_a_later_run_of_the_sequence_beside_that_says_otherwise_stands_in_the_way() -> None:
    reject = replace(BESIDE, disposition=Disposition.REJECT)
    later = replace(reject, run_id="20260107", started_utc="2026-01-07T09:00:00Z")
    with pytest.raises(UsageError, match="later run of this unit is reject"):
        beside(BESIDE, others=[later])
    # one that failed between the release and the run beside it is overtaken by that one
    earlier = replace(reject, run_id="20260105T103", started_utc="2026-01-05T10:30:00Z")
    beside(BESIDE, others=[earlier])
    with pytest.raises(UsageError, match="later run of this unit is reject"):
        beside(BESIDE, others=[replace(earlier, sequence="relays")])


# --- what no run has covered ---------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """A reading that has passed."""

    quantity: str
    channel: str = "left"
    verdict: Verdict = Verdict.PASS


PREAMP = [Row(q) for q in ("volume_tracking", "gain", "tone_boost", "tone_cut", "gain_to_point")]
RELAYS = [Row("mute_length")]


def covered(unit: dict[str, object], *readings: Row) -> list[str]:
    return [part.words for part in not_covered(unit, readings)]


def test_a_plain_power_stage_has_nothing_that_the_acceptance_leaves_out() -> None:
    assert covered({}) == []
    assert covered({"inputs": [], "headphones": False, "own_supply": "none"}) == []


def test_what_a_selector_unit_has_is_told_until_readings_have_covered_it() -> None:
    unit: dict[str, object] = {"inputs": ["line", "tuner"]}
    muting = "muting while the input is changed"
    controls = "volume and tone controls"
    assert covered(unit) == ["each input (line, tuner)", controls, muting]
    assert covered(unit, *PREAMP) == [muting]
    assert covered(unit, *PREAMP, *RELAYS) == []


def test_what_was_judged_but_has_not_passed_covers_nothing() -> None:
    failed = [replace(row, verdict=Verdict.NOT_MEASURED) for row in PREAMP]
    assert covered({"headphones": True}, *failed) == ["the headphone output"]


@pytest.mark.parametrize(
    ("unit", "told", "by"),
    [
        ({"headphones": True}, "the headphone output", [Row("gain_to_point")]),
        (
            {"standby_voltage": 5.0},
            "the standby supply",
            [Row("dc_voltage", "standby"), Row("ripple", "standby")],
        ),
        ({"own_supply": "linear"}, "the unit's own power supply", [Row("own_rail_voltage")]),
    ],
)
def test_other_parts_of_a_unit_are_told_too(
    unit: dict[str, object], told: str, by: list[Row]
) -> None:
    assert covered(unit) == [told]
    assert covered(unit, *by) == []
    assert covered(unit, *(replace(row, channel="rail.pos", quantity="hum") for row in by))


def test_a_protection_that_was_not_tried_is_told_of_every_unit() -> None:
    unit: dict[str, object] = {"protection_test": None, "load_capacitor": None}
    assert len(covered(unit)) == 2
    assert len(covered(unit, Row("protection_opens"))) == 1


def test_a_phono_input_has_its_own_words() -> None:
    assert "the phono input's equalisation and noise" in covered({"inputs": ["phono"]})
