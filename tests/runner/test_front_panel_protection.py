"""Protection that a supply has on its front panel alone is asked for, recorded as the operator's
word, and may be accepted; what protects nothing is told beforehand and holds the unit."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from short_runs import run

import demo_sim
from demo_sim.bench import Bench
from seqrun.errors import FileError
from seqrun.files.bench.load import load_bench
from seqrun.plan.actions import Plan
from seqrun.runner.opening import VirtualHands
from seqrun.runner.preparation import prepare
from seqrun.values import Disposition

PLAIN = "demo:plain_supply"
SET = 'over_voltage = "34.5 V", over_current = "3 A"'


@pytest.fixture
def front_panel(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """``front_panel(text)``: the bench file says so of the supply's front panel."""
    real = Bench.bench_toml

    def say(text: str) -> None:
        def changed(bench: Bench) -> str:
            table = r"(\[instrument\.supply\]\n)"
            return re.sub(table, rf"\1front_panel = {{ {text} }}\n", real(bench))

        monkeypatch.setattr(Bench, "bench_toml", changed)

    return say


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the operator was asked to confirm."""
    texts: list[str] = []

    def told(hands: VirtualHands, text: str, *_: object, **__: object) -> None:
        texts.append(text)

    monkeypatch.setattr(VirtualHands, "acknowledge", told)
    monkeypatch.setattr(VirtualHands, "looks", True)  # as an operator at the terminal does
    return texts


def told(plan: Plan, words: str) -> str:
    return next((line for line in plan.warnings if words in line), "")


def test_what_the_operator_set_and_confirmed_may_be_accepted(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    front_panel: Callable[[str], None],
    asked: list[str],
) -> None:
    front_panel(SET)
    plan, _ = prepare(short_sequence(), PLAIN, None)
    assert "to be confirmed before power" in told(plan, "over-voltage protection set on the front")
    outcome = run(tmp_path, short_sequence(), bench=PLAIN)
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    (question,) = (text for text in asked if text.startswith("FRONT PANEL"))
    assert (
        "supply.1 (rail.pos): over-voltage protection set on the front panel to 34.5 V" in question
    )
    assert "supply.2 (rail.neg): over-current protection set on the front panel to 3 A" in question
    with (tmp_path / "readings.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["quantity"] == "over_voltage_protection"]
    assert [float(row["value"]) for row in rows] == [34.5, 34.5]
    assert all("the operator's word" in row["note"] for row in rows)


def test_a_front_panel_that_nobody_looks_at_is_not_confirmed(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    front_panel: Callable[[str], None],
    asked: list[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(VirtualHands, "looks", False)  # as with --yes
    front_panel(SET)
    outcome = run(tmp_path, short_sequence(), bench=PLAIN)
    assert outcome.disposition is Disposition.HOLD
    assert "nobody is there to look" in outcome.reason
    assert not any(text.startswith("FRONT PANEL") for text in asked)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('over_voltage = "39 V", over_current = "3 A"', "above the 34.5 V of the sequence"),
        ('over_voltage = "30 V", over_current = "3 A"', "not above the 30 V of the rail"),
        ('over_voltage = "34.5 V", over_current = "20 A"', "A of the sequence"),
        ('over_voltage = "34.5 V"', "no over-current protection"),
    ],
)
def test_a_front_panel_that_does_not_protect_holds_the_unit(
    tmp_path: Path,
    short_sequence: Callable[..., str],
    front_panel: Callable[[str], None],
    asked: list[str],
    text: str,
    words: str,
) -> None:
    front_panel(text)
    plan, _ = prepare(short_sequence(), PLAIN, None)
    assert "the unit is held" in told(plan, words)
    outcome = run(tmp_path, short_sequence(), bench=PLAIN)
    assert outcome.disposition is Disposition.HOLD
    assert words in outcome.reason


def test_a_supply_without_protection_is_told_with_what_stands_in(
    short_sequence: Callable[..., str],
) -> None:
    trip = '[[trip]]\nquantity = "supply_current"\nabove = "3 A"\n'
    path = Path(short_sequence())
    path.write_text(path.read_text("utf-8") + trip, encoding="utf-8")
    plan, _ = prepare(str(path), PLAIN, None)
    line = told(plan, "no over-voltage protection")
    assert line.startswith("rail.pos and rail.neg: no over-voltage protection")
    assert "the supply's current limit and the trips on supply current stand in" in line
    assert "the run is allowed" in line


def test_the_front_panel_is_not_asked_for_what_the_link_sets(
    tmp_path: Path, front_panel: Callable[[str], None]
) -> None:
    front_panel(SET)
    (tmp_path / "bench.toml").write_text(demo_sim.open_bench().bench_toml(), encoding="utf-8")
    with pytest.raises(FileError, match="sets this protection and reads it back"):
        load_bench(tmp_path / "bench.toml")
