"""A run that is begun soon after another finds warm metal: it has it cool, or counts no drift."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from pytest_mock import MockerFixture

from seqrun.instruments.desk import Question, Typed
from seqrun.record import Store
from seqrun.runner import cooled
from seqrun.runner.last_power import LastPower, last_power
from seqrun.runner.opening import VirtualHands
from seqrun.values import Judged, Verdict
from tests.runner.short_runs import run
from tests.runner.warm_metal import DRIFT as OF_COLD
from tests.runner.warm_metal import put_warm

COLD = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
stages = 2
healthy_current = "3 * supply_idle"
"""
DEVICE = """
[[step]]
id = "cold"
do = "device_current"
at = "ballast.left.upper.1"
[[step]]
id = "hot"
do = "device_current"
at = "ballast.left.upper.1"
"""
DRIFT = DEVICE + OF_COLD


def drift_of(engine: Any) -> Judged:
    (drift,) = (j for j in engine.judged if j.step == "drift")
    return drift


@pytest.fixture
def warm(mocker: MockerFixture) -> Callable[[float], None]:
    return partial(put_warm, mocker)


@pytest.fixture
def says(mocker: MockerFixture) -> Callable[[bool], list[str]]:
    """Somebody is there and answers every yes or no so; what was asked."""

    def answer(yes: bool) -> list[str]:
        asked: list[str] = []

        def read(hands: VirtualHands, question: Question) -> Typed:
            asked.append(question.words)
            return Typed(float(yes))

        mocker.patch.object(VirtualHands, "read_by_hand", read)
        mocker.patch.object(VirtualHands, "looks", True)
        return asked

    return answer


@pytest.fixture
def no_sensors(mocker: MockerFixture) -> None:
    mocker.patch.object(cooled, "_by_sensors", return_value=None)


def test_it_stands_without_power_until_its_metal_is_cold(
    done: Callable[..., Any], warm: Callable[[float], None]
) -> None:
    warm(20.0)
    engine = done(COLD + DRIFT)
    assert drift_of(engine).verdict is Verdict.PASS
    assert any("is left to cool for about" in line for line in engine.notes)
    assert 500.0 < engine.powered_at < 2700.0


def test_cold_metal_is_not_waited_for(done: Callable[..., Any]) -> None:
    engine = done(COLD + DRIFT)
    assert drift_of(engine).verdict is Verdict.PASS
    assert engine.powered_at < 120.0
    assert not any("cool" in line for line in engine.notes)


def test_a_sequence_that_counts_nothing_from_cold_does_not_look(
    done: Callable[..., Any], warm: Callable[[float], None]
) -> None:
    warm(20.0)
    engine = done(COLD)
    assert engine.powered_at < 120.0
    assert not any("sensor.sink" in words for words in engine.hookups_made)


def test_metal_that_does_not_cool_in_time_gives_no_drift(
    done: Callable[..., Any], warm: Callable[[float], None], mocker: MockerFixture
) -> None:
    warm(20.0)
    mocker.patch.object(cooled, "WAITS_S", 300.0)
    drift = drift_of(done(COLD + DRIFT))
    assert drift.verdict is Verdict.NOT_MEASURED
    assert "not cold after 5 min" in drift.note


def test_somebody_may_rather_go_on(
    done: Callable[..., Any], warm: Callable[[float], None], says: Callable[[bool], list[str]]
) -> None:
    warm(20.0)
    asked = says(False)
    engine = done(COLD + DRIFT)
    assert drift_of(engine).verdict is Verdict.NOT_MEASURED
    assert "20 K warmer than the room before first power" in asked[0]
    assert engine.powered_at < 120.0


@pytest.mark.usefixtures("no_sensors")
@pytest.mark.parametrize(
    ("minutes", "rise_k", "cooled_first", "verdict"),
    [
        (5.0, 30.0, True, Verdict.PASS),  # 3 K are left after 29 min of 15 min each
        (40.0, 30.0, False, Verdict.PASS),
        (5.0, None, False, Verdict.NOT_MEASURED),  # as warm as it may be: an hour and a half
        (95.0, None, False, Verdict.PASS),
    ],
)
def test_without_sensors_the_run_before_tells(
    done: Callable[..., Any],
    minutes: float,
    rise_k: float | None,
    cooled_first: bool,
    verdict: Verdict,
) -> None:
    ended = datetime.now(UTC) - timedelta(minutes=minutes)
    engine = done(COLD + DRIFT, last=lambda: LastPower("R", ended, rise_k))
    assert drift_of(engine).verdict is verdict
    assert (engine.powered_at > 1200.0) is cooled_first


@pytest.mark.usefixtures("no_sensors")
@pytest.mark.parametrize(("cold", "verdict"), [(True, Verdict.PASS), (False, Verdict.NOT_MEASURED)])
def test_without_sensors_and_record_somebody_is_asked(
    done: Callable[..., Any], says: Callable[[bool], list[str]], cold: bool, verdict: Verdict
) -> None:
    asked = says(cold)
    assert drift_of(done(COLD + DRIFT)).verdict is verdict
    assert "as cool as the room" in asked[0]


def test_the_record_tells_when_a_unit_had_power_and_how_warm_it_became(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    sink = '[[step]]\nid = "sink"\ndo = "temperature"\nat = "sensor.sink"\n'
    ambient = sink.replace("sink", "ambient")
    outcome = run(tmp_path, short_sequence(ambient + sink))
    store = Store(tmp_path)
    found = last_power(store, "T-1", "another")
    assert found is not None
    assert found.run_id == outcome.run_id
    assert 0.0 <= found.ago_s() < 600.0
    assert found.rise_k == pytest.approx(0.0, abs=2.0)
    assert last_power(store, "T-1", outcome.run_id) is None
    assert last_power(store, "T-2", "another") is None


def test_a_run_without_power_has_warmed_nothing(tmp_path: Path) -> None:
    sequence = tmp_path / "cold.toml"
    step = '[[step]]\nid = "loads"\ndo = "load_resistance"\n'
    sequence.write_text(f'title = "T"\nrevision = "A"\n{step}', encoding="utf-8")
    run(tmp_path / "r", str(sequence))
    assert last_power(Store(tmp_path / "r"), "T-1", "another") is None
