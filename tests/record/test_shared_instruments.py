"""Which instruments and parts two runs have in common, by what is on record of them."""

from __future__ import annotations

import copy
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from seqrun.judge import decide
from seqrun.record import RunData, RunInfo, Store, load_run, shared_owners
from seqrun.values import Contribution, Disposition, Reading, Source, reading, rectangular

METER, LOAD, BALLAST = "instrument meter", "load left", "ballast.left.upper.1"
EQUIPMENT = [
    {"key": "meter", "identity": "EXAMPLE,SIX DIGITS,M200,1.0", "calibrated": "2026-05-11"},
    {"key": "scope", "identity": "EXAMPLE,TWELVE BITS,O300,1.0", "calibrated": "2026-02-02"},
]
STARTED = datetime(2026, 8, 1, 9, tzinfo=UTC)


def on_record(
    results: Path,
    equipment: object = EQUIPMENT,
    serial: str = "EX-0007",
    bench: str = "Corner bench",
) -> RunData:
    info = RunInfo(serial=serial, model="Example 2x40", sequence="acceptance", bench=bench)
    record = Store(results).start(info, STARTED)
    value = sum(
        (rectangular(1.0, 0.01, f"{owner} error", owner) for owner in (METER, LOAD, BALLAST)),
        start=rectangular(0.0, 0.01, "resolution"),
    )
    record.reading(decide(reading("x", "V", value), None, "guarded", "x"))
    record.facts({"equipment": equipment})
    record.finish(Disposition.ACCEPT, "")
    return load_run(results, record.run_id)


def changed(key: str, **more: Any) -> list[dict[str, Any]]:
    found = copy.deepcopy(EQUIPMENT)
    next(item for item in found if item["key"] == key).update(more)
    return found


def test_one_unit_twice_on_one_bench_has_everything_in_common(tmp_path: Path) -> None:
    one, two = on_record(tmp_path), on_record(tmp_path)
    assert shared_owners(one, two) == {METER, LOAD, BALLAST}
    assert shared_owners(one, two, new_ballasts=True) == {METER, LOAD}


def test_owner_and_sign_of_an_error_come_back_from_the_record(tmp_path: Path) -> None:
    value = 2.0 - 3.0 * rectangular(0.0, 0.01, "meter, % of range", METER)
    made = decide(reading("x", "V", value), None, "guarded", "x")
    record = Store(tmp_path).start(RunInfo("EX-0007", "Example 2x40", "acceptance"))
    record.reading(made)
    record.finish(Disposition.ACCEPT, "")
    (line,) = load_run(tmp_path, record.run_id).judged[0].reading.budget
    assert line.source.owner == METER
    assert line.sensitivity == pytest.approx(-3.0)
    assert (line,) == made.reading.budget


@pytest.mark.parametrize(
    "meter",
    [
        {"identity": "EXAMPLE,SIX DIGITS,M201,1.0"},  # another serial number
        {"identity": "EXAMPLE,FIVE DIGITS,M200,1.0"},
        {"calibrated": "2026-07-01"},  # calibrated in between
        {"calibration_due": "2026-07-31"},  # overdue on 1 August
    ],
)
def test_another_meter_or_calibration_takes_loads_along_but_not_the_units_own(
    tmp_path: Path, meter: dict[str, str]
) -> None:
    one, two = on_record(tmp_path), on_record(tmp_path, changed("meter", **meter))
    assert shared_owners(one, two) == {BALLAST}
    assert shared_owners(two, one) == {BALLAST}


def test_new_firmware_does_not_make_another_meter(tmp_path: Path) -> None:
    newer = changed("meter", identity="EXAMPLE,SIX DIGITS,M200,1.1")
    assert METER in shared_owners(on_record(tmp_path), on_record(tmp_path, newer))


@pytest.mark.parametrize("unknown", [{"identity": "EXAMPLE,SIX DIGITS,0,1.0"}, {"calibrated": ""}])
def test_what_tells_no_serial_number_or_calibration_is_not_taken_as_the_same(
    tmp_path: Path, unknown: dict[str, str]
) -> None:
    equipment = changed("meter", **unknown)
    one, two = on_record(tmp_path, equipment), on_record(tmp_path, equipment)
    assert METER not in shared_owners(one, two)


def test_another_unit_has_other_ballasts_and_another_bench_other_loads(tmp_path: Path) -> None:
    here = on_record(tmp_path)
    assert shared_owners(here, on_record(tmp_path, serial="EX-0008")) == {METER, LOAD}
    assert shared_owners(here, on_record(tmp_path, bench="Window bench")) == {METER, BALLAST}


def test_a_record_from_before_errors_had_owners_shares_nothing(tmp_path: Path) -> None:
    record = Store(tmp_path).start(RunInfo("EX-0007", "Example 2x40", "acceptance"))
    budget = (Contribution(Source("meter dc_voltage 1 V, % of range", "rectangular"), 0.01),)
    record.reading(decide(Reading("x", "V", 1.0, budget), None, "guarded", "x"))
    record.finish(Disposition.ACCEPT, "")
    old = load_run(tmp_path, record.run_id)
    assert shared_owners(old, old) == frozenset()


@pytest.mark.parametrize(
    ("identity", "told"),
    [
        ("EXAMPLE,SIX DIGITS,M200", True),  # no firmware told
        (" EXAMPLE , SIX DIGITS , M200 ,1.0", True),
        ("EXAMPLE,SIX DIGITS,,1.0", False),
        ("EXAMPLE,SIX DIGITS", False),
        ("", False),
    ],
)
def test_an_instrument_is_known_by_maker_model_and_serial_number(
    tmp_path: Path, identity: str, told: bool
) -> None:
    equipment = changed("meter", identity=identity)
    one, two = on_record(tmp_path, equipment), on_record(tmp_path, equipment)
    assert (METER in shared_owners(one, two)) is told
    assert (METER in shared_owners(one, on_record(tmp_path))) is told
    assert (METER in shared_owners(on_record(tmp_path), two)) is told


@pytest.mark.parametrize(
    ("due", "counts"), [("2026-07-31", False), ("2026-08-01", True), ("2026-08-02", True)]
)
def test_a_calibration_counts_to_the_end_of_its_last_day(
    tmp_path: Path, due: str, counts: bool
) -> None:
    equipment = changed("meter", calibration_due=due)
    one, two = on_record(tmp_path, equipment), on_record(tmp_path)
    for before, after in ((one, two), (two, one), (one, one)):
        assert (METER in shared_owners(before, after)) is counts


@pytest.mark.parametrize("equipment", [[], None, "meter", {"key": "meter"}, ["meter", 3]])
def test_a_bench_that_names_no_instrument_shares_none_of_its_loads(
    tmp_path: Path, equipment: object
) -> None:
    one, two = on_record(tmp_path, equipment), on_record(tmp_path, equipment)
    assert shared_owners(one, two) == {BALLAST}


def test_an_instrument_more_or_less_makes_another_bench(tmp_path: Path) -> None:
    one, two = on_record(tmp_path), on_record(tmp_path, EQUIPMENT[:1])
    assert shared_owners(one, two) == shared_owners(two, one) == {METER, BALLAST}


def test_a_unit_of_another_model_with_the_same_number_is_another_unit(tmp_path: Path) -> None:
    one = on_record(tmp_path)
    two = replace(one, run=replace(one.run, model="Example 2x80"))
    assert shared_owners(one, two) == {METER, LOAD}
