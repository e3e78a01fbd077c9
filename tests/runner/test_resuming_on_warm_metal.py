"""A run that goes on soon after it was interrupted finds warm metal: what counts from cold."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from seqrun.runner import cooled
from seqrun.values import Disposition, Verdict
from tests.runner.test_resuming import gone_on, started
from tests.runner.warm_metal import DRIFT, put_warm

STEPS = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "cold"
do = "device_current"
at = "ballast.left.upper.1"
limit = { between = ["0.4 * idle_current", "1.8 * idle_current"] }
[[step]]
id = "heat"
do = "soak"
ambient = "ambient"
at_most = "90 min"
until = "predicted"
limit = { at_most = "sink_rise_limit" }
[[step]]
id = "hot"
do = "device_current"
at = "ballast.left.upper.1"
"""


@pytest.fixture
def sequence(short_sequence: Callable[..., str]) -> str:
    return short_sequence(STEPS + DRIFT)


@pytest.mark.parametrize(
    ("rise_k", "verdict", "disposition"),
    [
        (0.0, Verdict.PASS, Disposition.ACCEPT),
        (1.5, Verdict.PASS, Disposition.ACCEPT),
        (9.0, Verdict.NOT_MEASURED, Disposition.HOLD),
    ],
)
def test_a_drift_counts_from_metal_that_is_cold_again(
    tmp_path: Path,
    sequence: str,
    mocker: MockerFixture,
    rise_k: float,
    verdict: Verdict,
    disposition: Disposition,
) -> None:
    started(tmp_path, sequence, until="hot")
    put_warm(mocker, rise_k)
    outcome, _, notes = gone_on(tmp_path, sequence)
    assert outcome.disposition is disposition, outcome.reason
    (drift,) = (j for j in outcome.judged if j.step == "drift")
    assert drift.verdict is verdict
    told = [line for line in notes if "warmer than the room" in line]
    assert bool(told) is (verdict is Verdict.NOT_MEASURED)
    if told:
        assert "9" in drift.note and "let it cool" in drift.note


def test_without_sensors_time_has_to_tell(
    tmp_path: Path, sequence: str, mocker: MockerFixture
) -> None:
    started(tmp_path, sequence, until="hot")
    mocker.patch.object(cooled, "_by_sensors", return_value=None)
    outcome, _, _ = gone_on(tmp_path, sequence)
    (drift,) = (j for j in outcome.judged if j.step == "drift")
    assert drift.verdict is Verdict.NOT_MEASURED
    assert "no sensor tells" in drift.note


def test_after_an_hour_and_a_half_without_sensors_it_is_cold(
    tmp_path: Path, sequence: str, mocker: MockerFixture
) -> None:
    started(tmp_path, sequence, until="hot")
    mocker.patch.object(cooled, "_by_sensors", return_value=None)
    now = cooled.datetime.now(cooled.UTC)
    clock = mocker.patch.object(cooled, "datetime", wraps=cooled.datetime)
    clock.now.return_value = now + timedelta(minutes=95)
    outcome, _, _ = gone_on(tmp_path, sequence)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason


def test_a_run_that_never_had_power_on_the_unit_has_warmed_nothing(
    tmp_path: Path, sequence: str, mocker: MockerFixture
) -> None:
    started(tmp_path, sequence, until="protection")
    mocker.patch.object(cooled, "_by_sensors", return_value=None)
    outcome, _, _ = gone_on(tmp_path, sequence)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
