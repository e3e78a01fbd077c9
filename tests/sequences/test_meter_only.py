"""With nothing but a meter that is read by hand, a unit gets a disposition, a record, a report."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playing_the_operator import KEEP, SHOWS, Terminal

from seqrun.runner.events import Watcher
from seqrun.runner.hands import Operator as Asked
from seqrun.runner.preparation import prepare
from seqrun.runner.presses import Presses
from seqrun.runner.rehearsal import Rehearsal
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition

BENCH = """
name = "Kitchen table"
unit = "small.toml"

[instrument.meter]
resource = "by hand"
driver = "handheld-meter"
label = "yellow one, serial 77"
"""
#: one channel, one device in each half: a short run of all that the sequence has
SHEET = """
model = "Practice 1x20"
channels = ["only"]
topology = "single_ended"
rails = "split"
rail_voltage = "24 V"
rated_power = "20 W"
rated_load = "8 Ω"
gain = "26 dB"
output_devices = 1
ballast = "0.33 Ω"
idle_current = "30 mA"
sink_rise_limit = "40 K"
"""


class Operator:
    """Reads a healthy unit off an imagined meter; ``changed`` are answers for other units."""

    def __init__(self, changed: dict[str, str] | None = None) -> None:
        self._changed = changed or {}
        self._plugged = False
        self._at = ""
        self.typed: list[str] = []

    def __call__(self, asked: str) -> str:
        text = self._said(asked)
        self.typed.append(text)
        return text

    def _said(self, asked: str) -> str:
        if "mains to on" in asked:
            self._plugged = True
        if "mains to off" in asked:
            self._plugged = False
        for line in asked.splitlines():
            if line.startswith("HOOKUP"):
                self._at = line
        for part, answer in self._changed.items():
            if part in asked and asked.rstrip().endswith(SHOWS):
                return answer
        if not asked.rstrip().endswith(SHOWS) or asked.rstrip().endswith(KEEP):
            return ""
        if "y or n" in asked:
            return "n"
        if "ohms" in asked:
            return "0.5 Ω" if "ballast" in self._at else "4.7 kΩ"
        if "AC volts" in asked:
            return "1.2 mV"
        if "rail.pos" in self._at:
            return "23.61 V on 60 V" if self._plugged else "0.41 V"
        if "rail.neg" in self._at:
            return "-23.55 V" if self._plugged else "-0.38 V"
        return "9.9 mV" if "ballast" in self._at else "4.1 mV"


def _meter_only(folder: Path, operator: Operator) -> tuple[int, str, list[dict[str, str]]]:
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    (folder / "small.toml").write_text(SHEET, encoding="utf-8")
    terminal = Terminal(folder, operator)
    code = terminal.run("run", "meter-only", "--bench", "bench.toml", "--serial", "K-1")
    where = folder / "results" / "readings.csv"
    rows = list(csv.DictReader(where.open(encoding="utf-8"))) if where.is_file() else []
    return code, terminal.shown, rows


def test_a_healthy_unit_is_accepted_and_not_released(tmp_path: Path) -> None:
    code, shown, rows = _meter_only(tmp_path, Operator())
    assert code == 0, shown[-3000:]
    assert {row["instruments"] for row in rows if row["quantity"] == "dc_offset"} == {
        "meter (typed)"
    }
    assert "licensed" in shown and "PULL THE PLUG" in shown
    assert len(list((tmp_path / "results").glob("*/report.html"))) == 1
    page = next((tmp_path / "results").glob("*/report.html")).read_text(encoding="utf-8")
    assert "meter (typed)" in page
    offset = next(row for row in rows if row["quantity"] == "dc_offset")
    # half-widths of 0.5 % and two digits of 10 µV, a step of 10 µV, thermal EMF within 10 µV:
    # u = a/√3 each, U = 2u
    assert float(offset["expanded_uncertainty"]) == pytest.approx(3.54e-5, rel=0.05)


def test_a_lamp_that_stays_bright_ends_it(tmp_path: Path) -> None:
    code, shown, rows = _meter_only(tmp_path, Operator({"glow brightly": "y"}))
    assert code == 1, shown[-3000:]
    assert "idle_current" not in {row["quantity"] for row in rows}
    assert "mains to off" in shown


class Rehearsing:
    """Types what the simulated meter is said to show, and Enter at all else."""

    def __init__(self) -> None:
        self.shown: list[str] = []
        self.typed = 0

    def say(self, text: str) -> None:
        if text.startswith("IT SHOWS"):
            self.shown.append(text.removeprefix("IT SHOWS").strip())

    def ask(self, prompt: str) -> str:
        if "y or n" in prompt:
            return "n"
        if not prompt.rstrip().endswith(SHOWS):
            return ""
        self.typed += 1
        return self.shown[-1]

    @contextmanager
    def presses(self) -> Iterator[Presses]:
        yield lambda: []

    def hands(self) -> Rehearsal:
        return Rehearsal(Asked(self.ask, self.say, lambda: None, self.presses), self.say)


def test_it_is_rehearsed_by_what_the_simulated_meter_shows(tmp_path: Path) -> None:
    (tmp_path / "small.toml").write_text(SHEET, encoding="utf-8")
    bench = "demo:no_scope,no_generator,no_supply,meter_by_hand"
    plan, files = prepare("meter-only", bench, str(tmp_path / "small.toml"), seed=3)
    person = Rehearsing()
    options = Options("R-1", "", tmp_path / "results")
    outcome = execute(plan, files, person.hands(), Watcher(), options, Interrupts())
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    assert person.typed >= len(person.shown) > 20
