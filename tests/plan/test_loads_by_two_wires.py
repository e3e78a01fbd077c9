"""A meter without four-wire ohms measures the loads too, and says what its leads may add."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import pytest

import demo_sim
from demo_sim.bench import Bench
from seqrun.errors import FileError
from seqrun.files.bench.load import load_bench
from seqrun.plan.actions import Plan
from seqrun.plan.needs import Forecast
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition, Reading, Verdict

LIMITED = 'do = "load_resistance"\nlimit = { between = ["0.9 * rated_load", "1.1 * rated_load"] }'
KNOWN = 'leads = { resistance = "0.1 Ω", tolerance = "20 mΩ" }\n'
TWO_WIRES = "demo:two_wire_meter"


@pytest.fixture
def sequence(short_sequence: Callable[..., str]) -> str:
    path = Path(short_sequence())
    path.write_text(path.read_text("utf-8").replace('do = "load_resistance"', LIMITED), "utf-8")
    return str(path)


def run(sequence: str, folder: Path, *faults: str) -> tuple[Outcome, Plan]:
    plan, files = prepare(sequence, TWO_WIRES, None, faults=faults)
    options = Options("T-1", "", folder)
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    return outcome, plan


def forecast_of_load(plan: Plan) -> float:
    step = next(action for action in plan.actions if action.id == "loads")
    forecast = step.forecasts[0][1]
    assert isinstance(forecast, Forecast)
    return forecast.expanded_uncertainty


def loads(outcome: Outcome) -> list[Reading]:
    return [one.reading for one in outcome.judged if one.reading.quantity == "load_resistance"]


@pytest.fixture
def leads_known(monkeypatch: pytest.MonkeyPatch) -> None:
    real = Bench.bench_toml
    monkeypatch.setattr(
        Bench,
        "bench_toml",
        lambda bench: re.sub(r"(\[instrument\.meter\]\n)", r"\1" + KNOWN, real(bench)),
    )


def test_loads_are_measured_with_what_the_leads_may_add(sequence: str, tmp_path: Path) -> None:
    outcome, plan = run(sequence, tmp_path)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert any("no four-wire ohms: loads are read by two wires" in line for line in plan.warnings)
    for reading in loads(outcome):
        assert reading.expanded_uncertainty == pytest.approx(
            2 * math.hypot(0.2, 0.075, 0.02) / 3**0.5, rel=0.02
        )
        assert "leads and contacts within ± 200 mΩ" in reading.note
        assert forecast_of_load(plan) == pytest.approx(reading.expanded_uncertainty, rel=0.02)


@pytest.mark.usefixtures("leads_known")
def test_leads_that_were_measured_are_taken_off(sequence: str, tmp_path: Path) -> None:
    outcome, plan = run(sequence, tmp_path)
    assert any("less the 100 mΩ of the leads" in line for line in plan.warnings)
    for reading in loads(outcome):
        assert reading.expanded_uncertainty == pytest.approx(
            2 * math.hypot(0.02, 0.02, 0.01) / 3**0.5, rel=0.03
        )
        assert reading.value == pytest.approx(8.0, abs=0.2)
        assert "less the 100 mΩ" in reading.note


def test_a_wrong_load_is_found_through_the_leads_too(sequence: str, tmp_path: Path) -> None:
    outcome, _ = run(sequence, tmp_path, "load_wrong@left=0.3")
    left = next(one for one in outcome.judged if one.reading.channel == "left")
    assert left.verdict is Verdict.NOT_MEASURED
    assert "not the load that the bench file names" in left.reading.note


def test_a_load_at_its_limit_is_not_a_pass_by_two_wires(
    short_sequence: Callable[..., str], tmp_path: Path
) -> None:
    """What the leads may add is in the guard band: 8.03 Ω under 8.1 Ω is not shown to be so."""
    path = Path(short_sequence())
    text = path.read_text("utf-8")
    tight = 'do = "load_resistance"\nlimit = { at_most = "8.1 Ω" }'
    path.write_text(text.replace('do = "load_resistance"', tight), "utf-8")
    outcome, _ = run(str(path), tmp_path)
    left = next(one for one in outcome.judged if one.reading.channel == "left")
    assert left.verdict is Verdict.CONDITIONAL_PASS


def test_test_leads_belong_to_a_meter(tmp_path: Path) -> None:
    file = demo_sim.open_bench().bench_toml()
    file = re.sub(r"(\[instrument\.scope\]\n)", r"\1" + KNOWN, file)
    (tmp_path / "bench.toml").write_text(file, "utf-8")
    with pytest.raises(FileError, match="test leads of a scope"):
        load_bench(tmp_path / "bench.toml")
