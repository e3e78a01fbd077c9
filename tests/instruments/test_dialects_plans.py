"""The acceptance planned on benches of real families: it can be planned, or the plan says before
any power what the bench lacks. No instrument is opened."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import demo_sim
from seqrun.errors import SeqrunError
from seqrun.files.unit.sheet import load_unit
from seqrun.plan.actions import Plan
from seqrun.runner.preparation import prepare

SERIAL_GENERATORS = ("feeltech-fy6900", "juntek-jds6600")


def bench_of(folder: Path, supply: str, meter: str, scope: str, generator: str) -> str:
    """The demo bench's leads, loads and sensors with other instruments, at addresses that are
    nobody's (RFC 5737)."""
    text = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40").bench_toml()
    text = re.sub(r"\[simulator\]\ncontrol.*\n", "", text)
    text = re.sub(r"(?m)^serial = .*\n", "", text)
    for n, (role, driver) in enumerate(
        {"supply": supply, "meter": meter, "scope": scope, "generator": generator}.items(), 1
    ):
        table = f'[instrument.{role}]\nresource = "TCPIP0::192.0.2.{n}::5025::SOCKET"\n'
        if driver in SERIAL_GENERATORS:
            table += 'label = "FG 1, serial 0042"\n'
        old = rf'\[instrument\.{role}\]\nresource = .*\ndriver = "[^"]*"\n'
        text, found = re.subn(old, f'{table}driver = "{driver}"\n', text)
        assert found == 1
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def planned(bench: str) -> Plan:
    return prepare("acceptance", bench, "demo-2x40")[0]


@pytest.mark.parametrize(
    "instruments",
    [
        ("rigol-dp800", "siglent-sdm3055", "rigol-ds1000z", "rigol-dg1000z"),
        ("siglent-spd3303x", "agilent-34401a-serial", "siglent-sds1000xe", "siglent-sdg1000x"),
        ("gwinstek-gpd3303s", "rigol-dm3058", "tektronix-tds2000", "rigol-dg1000z"),
        ("rigol-dp800", "keysight-34461a", "keysight-1000x", "juntek-jds6600"),
    ],
)
def test_the_acceptance_can_be_planned(tmp_path: Path, instruments: tuple[str, ...]) -> None:
    assert planned(bench_of(tmp_path, *instruments)).actions  # type: ignore[arg-type]


def test_a_small_third_output_that_feeds_no_rail_limits_none(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, "rigol-dp800", "siglent-sdm3055", "rigol-ds1000z", "rigol-dg1000z")
    assert planned(bench).actions
    text = Path(bench).read_text(encoding="utf-8")
    third = text.replace("supply.2.", "supply.3.")  # the negative rail from the 5 V output
    assert third != text
    Path(bench).write_text(third, encoding="utf-8")
    with pytest.raises(SeqrunError, match="which goes to 5 V"):
        planned(bench)


def test_one_output_cannot_feed_two_rails_and_it_is_told(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, "korad-ka3005p", "siglent-sdm3055", "rigol-ds1000z", "rigol-dg1000z")
    with pytest.raises(SeqrunError, match=r"supply\.2"):
        planned(bench)


def test_a_bench_of_small_instruments_is_told_step_by_step_what_it_lacks(tmp_path: Path) -> None:
    bench = bench_of(
        tmp_path, "gwinstek-gpd3303s", "owon-xdm1041", "tektronix-tds2000", "feeltech-fy6900"
    )
    plan = planned(bench)
    assert any("loads are read by two wires" in line for line in plan.warnings)
    reasons = {out.id: out.reason for out in plan.left_out}
    assert "no command for resistance by four wires" in reasons["heat_idle"]
    assert re.search(r"keeps 2500 points, and a record of \d+ is needed", reasons["crossover"])
    assert {action.id for action in plan.actions} >= {"load.left", "bring_up", "discharge"}
