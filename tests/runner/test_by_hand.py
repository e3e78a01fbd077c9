"""Every role by hand on the simulated bench: virtual hands set the panels and read them."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from short_runs import releasing, run

import demo_sim
from seqrun.files.unit.sheet import load_unit
from seqrun.instruments.desk import Setting
from seqrun.plan.needs import Hookup
from seqrun.runner.opening import VirtualHands
from seqrun.runner.preparation import prepare
from seqrun.values import Disposition, Verdict

SCREEN = """
[[step]]
id = "height.{channel}"
each = "channel"
do = "screen_volts"
at = "out.{channel}"
peak = "1 V"
limit = { at_most = "500 mV" }
"""
RECORD = """
[[step]]
id = "noise.{channel}"
each = "channel"
do = "output_noise"
at = "out.{channel}"
records = 2
limit = { at_most = "2 mV" }
"""
POWER = """
[[step]]
id = "load.{channel}"
each = "channel"
do = "gain"
limit = { at_least = "20 dB" }
"""


def _rows(results: Path) -> list[dict[str, str]]:
    with (results / "readings.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _facts(results: Path) -> str:
    return next(results.glob("*/*.json")).read_text(encoding="utf-8")


def test_a_meter_by_hand_measures_a_healthy_unit(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    results = tmp_path / "r"
    outcome = run(results, short_sequence(), bench="demo:meter_by_hand")
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    rows = _rows(results)
    assert {r["instruments"] for r in rows if r["quantity"] == "dc_offset"} == {"meter (typed)"}
    plain = run(tmp_path / "p", short_sequence())
    typed = {j.reading.channel: j for j in outcome.judged if j.reading.quantity == "dc_offset"}
    for other in plain.judged:
        if other.reading.quantity == "dc_offset":
            mine = typed[other.reading.channel]
            assert mine.reading.value is not None and other.reading.value is not None
            apart = abs(mine.reading.value - other.reading.value)
            assert apart < 3e-3  # the same unit, some seconds apart


def test_a_fault_is_found_by_hand(tmp_path: Path, short_sequence: Callable[..., str]) -> None:
    outcome = run(
        tmp_path / "r", short_sequence(), "dc_offset@left=0.6", bench="demo:meter_by_hand"
    )
    assert outcome.disposition is Disposition.REJECT, outcome.reason


def test_a_supply_by_hand_is_switched_off_first_and_said_to_be_off_and_never_confirmed(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    asked: list[str] = []
    put, lead = VirtualHands.set_by_hand, VirtualHands.connect

    def set_by_hand(hands: VirtualHands, setting: Setting) -> None:
        asked.append(setting.words)
        put(hands, setting)

    def connect(hands: VirtualHands, hookup: Hookup, live: bool) -> None:
        asked.append(hookup.words)
        lead(hands, hookup, live)

    mocker.patch.object(VirtualHands, "set_by_hand", set_by_hand)
    mocker.patch.object(VirtualHands, "connect", connect)
    outcome = run(tmp_path / "r", short_sequence(), bench="demo:supply_by_hand")
    assert asked[0] == "supply: all outputs off", "before any lead is touched"
    assert len(asked) > 3
    assert outcome.disposition is Disposition.HOLD, outcome.reason
    assert "supply: by hand; said, not confirmed: see that its outputs are off" in (
        outcome.safe.unconfirmed
    )
    assert not any("supply" in line for line in outcome.safe.confirmed)
    assert "bring_up_current" in {r["quantity"] for r in _rows(tmp_path / "r") if r["value"]}


def test_the_plan_says_which_trips_are_blind() -> None:
    plan, _ = prepare("intake", "demo:supply_by_hand", None)
    told = "\n".join(plan.warnings)
    assert "trip on supply_current is blind" in told
    assert "neither a trip nor the end of the run switches it off" in told
    plain, _ = prepare("intake", "demo", None)
    assert "by hand" not in "\n".join(plain.warnings)


@pytest.mark.parametrize(
    ("role", "left"),
    [
        ("supply", "set by hand, and no trip could switch it off"),
        ("meter", "read by hand, and this step reads it every few seconds"),
        ("scope", "read by hand, and this step takes a record"),
    ],
)
def test_soaks_and_records_are_left_out(role: str, left: str) -> None:
    plan, _ = prepare("acceptance", f"demo:{role}_by_hand", None)
    assert left in {reason for out in plan.left_out for reason in [_last(out.reason)]}
    assert len(plan.actions) > 10


def test_by_hand_a_driver_has_what_hands_can_do_and_polarity_is_told_by_a_sine(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    polarity = """
[[step]]
id = "relays"
do = "await_output"
limit = { at_most = "10 s" }

[[step]]
id = "polarity"
do = "polarity"
limit = { at_least = 0.5 }
"""
    outcome = run(tmp_path / "r", short_sequence(polarity), bench="demo:generator_by_hand")
    told = [j for j in outcome.judged if j.reading.quantity == "polarity"]
    assert len(told) == 2 and all(j.verdict is Verdict.PASS for j in told), [
        j.reading.note for j in told
    ]
    turned = run(
        tmp_path / "t",
        short_sequence(polarity),
        "inverted_polarity@left=1",
        bench="demo:generator_by_hand",
    )
    assert turned.disposition is not Disposition.ACCEPT
    files, _ = prepare("power-rating", "demo:generator_by_hand", None)
    assert not any(action.step.kind == "dynamic_headroom" for action in files.actions)


def _last(reason: str) -> str:
    for known in (
        "set by hand, and no trip could switch it off",
        "read by hand, and this step reads it every few seconds",
        "read by hand, and this step takes a record",
    ):
        if known in reason:
            return known
    return reason


def test_power_from_a_supply_that_only_a_hand_switches_off_is_left_out() -> None:
    plan, _ = prepare("acceptance", "demo:supply_by_hand,plain_supply", None)
    guarded, _ = prepare("acceptance", "demo:supply_by_hand", None)
    assert "does not switch off by itself" in "\n".join(out.reason for out in plan.left_out)
    driven = [a for a in plan.actions if max(a.needs.load_power_w.values(), default=0.0) > 0.1]
    assert not driven
    assert any(max(a.needs.load_power_w.values(), default=0.0) > 0.1 for a in guarded.actions)


def test_a_screen_is_read_by_hand_and_by_record_alike(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    by_hand = run(tmp_path / "h", short_sequence(SCREEN), bench="demo:scope_by_hand")
    spoken = run(tmp_path / "s", short_sequence(SCREEN))
    for outcome in (by_hand, spoken):
        heights = [j for j in outcome.judged if j.reading.quantity == "peak_to_peak"]
        assert len(heights) == 2 and all(j.reading.value is not None for j in heights)
    assert {r["instruments"] for r in _rows(tmp_path / "h") if r["quantity"] == "peak_to_peak"} == {
        "scope (typed)"
    }


def test_no_record_leaves_a_screen(tmp_path: Path, short_sequence: Callable[..., str]) -> None:
    outcome = run(tmp_path / "r", short_sequence(RECORD), bench="demo:scope_by_hand")
    assert outcome.disposition is Disposition.HOLD, outcome.reason
    assert "takes a record" in outcome.reason


def test_a_generator_by_hand_proves_contact(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path / "r", short_sequence(), bench="demo:generator_by_hand")
    assert outcome.disposition is Disposition.ACCEPT, outcome.reason
    fallen = run(
        tmp_path / "f", short_sequence(), "stuck_relay@left", bench="demo:generator_by_hand"
    )
    assert fallen.disposition is not Disposition.ACCEPT, fallen.reason


def test_nothing_releases_with_a_supply_by_hand(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path / "r", releasing(short_sequence()), bench="demo:supply_by_hand")
    assert outcome.disposition is Disposition.HOLD
    assert "not read back" in outcome.reason


def test_by_hand_is_on_record(tmp_path: Path, short_sequence: Callable[..., str]) -> None:
    run(tmp_path / "r", short_sequence(), bench="demo:meter_by_hand")
    text = _facts(tmp_path / "r")
    listed = {one["key"]: one for one in json.loads(text)["equipment"]}
    assert listed["meter"]["by_hand"] and "(by hand)" in listed["meter"]["identity"]
    assert not listed["supply"]["by_hand"]


def test_loads_are_read_by_the_two_wires_of_a_handheld_meter_beside_other_instruments(
    tmp_path: Path, as_real: Callable[[str], str]
) -> None:
    text = as_real(
        demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40").bench_toml()
    )
    table = re.compile(r"\[instrument\.meter\].*?(?=\n\[)", re.DOTALL)
    by_hand = '[instrument.meter]\nresource = "by hand"\ndriver = "handheld-meter"\n'
    path = tmp_path / "bench.toml"
    path.write_text(table.sub(by_hand, text, count=1), encoding="utf-8")
    plan, _ = prepare("acceptance", str(path), "demo-2x40")
    assert "load.left" in {action.id for action in plan.actions}
    assert any("loads are read by two wires" in warning for warning in plan.warnings)
