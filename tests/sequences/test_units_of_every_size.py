"""Trips and protection of every shipped sequence, on units whose idle current is a good part of
what they draw at power, and on units where it is not."""

from __future__ import annotations

from pathlib import Path

import pytest
from sequence_runs import run_of

from seqrun.errors import SeqrunError, UsageError
from seqrun.files.shipped import find
from seqrun.plan.supply_checks import current_for
from seqrun.runner.preparation import prepare
from seqrun.values import Disposition

SEQUENCES = ("intake", "quick", "relays", "isolate", "noise-hunt", "sharing", "supplies")
HEADPHONES = """
model = "Phones 0.5"
channels = ["left", "right"]
topology = "single_ended"
rails = "split"
rail_voltage = "9 V"
rated_power = "0.5 W"
rated_load = "32 Ω"
gain = "12 dB"
output_devices = 1
ballast = "2.2 Ω"
idle_current = "20 mA"
sink_rise_limit = "30 K"
"""
#: healthy units idle within so much of their sheet (idle_current_tolerance)
GENEROUS = 1.4


@pytest.mark.parametrize("unit", ["headphones", "demo-mono", "demo-bridged"])
@pytest.mark.parametrize("name", SEQUENCES)
def test_no_trip_acts_on_what_a_healthy_unit_draws(tmp_path: Path, name: str, unit: str) -> None:
    """At the largest power that a step drives, idling as high as its sheet allows."""
    if unit == "headphones":
        path = tmp_path / "unit.toml"
        path.write_text(HEADPHONES, encoding="utf-8")
        unit = str(path)
    plan, _ = prepare(name, "demo", unit)
    sheet, names = plan.view.unit, plan.view.unit.names()
    swing = max(current_for(sheet, action.needs.load_power_w) for action in plan.actions)
    draws = GENEROUS * sheet.expected_supply_current + swing
    if swing > 3.0 * sheet.expected_supply_current:
        draws = 1.05 * swing  # a half gives its idle current up as it swings beyond it
    for trip in plan.sequence.trip:
        if trip.quantity == "supply_current":
            assert trip.above.evaluate_in("A", names) >= draws
    for action in plan.actions:
        if action.needs.protects and action.needs.supply.over_current is not None:
            assert action.needs.supply.over_current >= draws


def test_what_needs_a_preamplifier_is_told_of_a_unit_that_has_none(tmp_path: Path) -> None:
    path = tmp_path / "unit.toml"
    path.write_text(HEADPHONES, encoding="utf-8")
    with pytest.raises(UsageError, match="for units with a line input") as told:
        prepare("preamp", "demo", str(path))
    assert "Phones 0.5" in told.value.found
    assert "inputs = [" in (told.value.hint or "")
    assert "'quick'" in (told.value.hint or "")


def test_sockets_by_other_names_are_told_too_and_isolated_before_the_power_stage(
    tmp_path: Path,
) -> None:
    path = tmp_path / "unit.toml"
    path.write_text(HEADPHONES + 'inputs = ["cd", "tuner"]\n', encoding="utf-8")
    with pytest.raises(UsageError, match="a line input"):
        prepare("preamp", "demo", str(path))
    plan, _ = prepare("isolate", "demo", str(path))
    assert {"offset.left", "hum.right"} <= {action.id for action in plan.actions}


LARGE = (
    HEADPHONES.replace('"9 V"', '"35 V"').replace('"0.5 W"', '"120 W"').replace('"32 Ω"', '"8 Ω"')
)


@pytest.mark.parametrize("name", ["intake", "relays", "isolate", "noise-hunt"])
def test_a_unit_beyond_the_supply_is_looked_at_as_far_as_a_few_watts_go(
    tmp_path: Path, name: str
) -> None:
    """2 x 120 W in bridge draw 7 A; an eighth of the power, or a few watts, is within 5 A."""
    path = tmp_path / "unit.toml"
    path.write_text(LARGE.replace("single_ended", "bridged"), encoding="utf-8")
    plan, _ = prepare(name, "demo", str(path))
    assert any(action.needs.energises for action in plan.actions)


def test_rails_that_a_supply_does_not_reach_are_told_with_what_is_left(tmp_path: Path) -> None:
    path = tmp_path / "unit.toml"
    path.write_text(LARGE.replace('"35 V"', '"90 V"').replace('"120 W"', '"300 W"'), "utf-8")
    with pytest.raises(SeqrunError) as told:
        prepare("intake", "demo", str(path))
    assert "40 V" in str(told.value)
    assert "own mains" in (told.value.hint or "")


CLASS_A = (
    HEADPHONES.replace('"9 V"', '"14 V"')
    .replace('"0.5 W"', '"8 W"')
    .replace('"32 Ω"', '"4 Ω"')
    .replace('"2.2 Ω"', '"0.33 Ω"')
    .replace('"20 mA"', '"400 mA"')
    .replace('"30 K"', '"50 K"')
)


@pytest.mark.parametrize("name", SEQUENCES)
def test_one_that_idles_hot_asks_for_no_more_supply_than_its_rated_power_does(
    tmp_path: Path, name: str
) -> None:
    path = tmp_path / "unit.toml"
    path.write_text(CLASS_A, encoding="utf-8")
    plan, _ = prepare(name, "demo", str(path))
    most = plan.view.unit.supply_at_rated_power
    for action in plan.actions:
        if action.needs.protects and action.needs.supply.over_current is not None:
            assert action.needs.supply.over_current <= 2.0 * most


def test_what_no_lead_gets_to_is_left_out_of_a_meters_work_too() -> None:
    plan, _ = prepare("meter-only", "demo", "demo-integrated")
    moved = {node for action in plan.actions for h in action.needs.hookups for _, node in h.leads}
    assert not any(node.startswith("ballast.") for node in moved)
    reasons = {out.id: out.reason for out in plan.left_out}
    assert not any(i.startswith("resistor.") for i in reasons)
    assert any(i.startswith("cold.") for i in reasons)


def test_a_resistor_that_no_lead_gets_to_leaves_its_step_out_and_not_the_sequence(
    tmp_path: Path,
) -> None:
    path = tmp_path / "ohms.toml"
    entry = 'do = "dead_resistance"\nlimit = {{ at_most = "10 Ω" }}\nid = "{0}"\nat = "{1}"\n'
    steps = [("ohms.{ballast}", "ballast.{ballast}"), ("rail", "rail.pos")]
    text = "".join(f"[[step]]\n{entry.format(i, at)}" for i, at in steps)
    text = text.replace('id = "ohms', 'each = "ballast"\nid = "ohms')
    path.write_text(f'title = "T"\nrevision = "A"\n{text}', encoding="utf-8")
    plan, _ = prepare(str(path), "demo", "demo-integrated")
    assert [action.id for action in plan.actions] == ["rail"]
    assert {out.reason for out in plan.left_out} == {
        "not accessible on this unit: its ballast resistors"
    }
    assert all(out.of_unit for out in plan.left_out)


def test_a_quick_look_takes_the_whole_current_where_no_device_can_be_read() -> None:
    plan, _ = prepare("quick", "demo", "demo-integrated")
    ids = {action.id for action in plan.actions}
    assert {"idle_supply", "power", "idle_warm"} <= ids
    plain, _ = prepare("quick", "demo", "demo-2x40")
    assert "idle_supply" not in {action.id for action in plain.actions}


@pytest.mark.parametrize("name", ["acceptance", "quick", "supplies", "power-rating"])
def test_no_trip_acts_while_the_largest_power_of_a_good_unit_is_looked_for(
    tmp_path: Path, name: str
) -> None:
    """An eighth above its rating, and idling as high as its sheet allows."""
    path = tmp_path / "unit.toml"
    path.write_text(HEADPHONES, encoding="utf-8")
    plan, _ = prepare(name, "demo", str(path))
    sheet = plan.view.unit
    swing = 1.125**0.5 * sheet.supply_current_at(sheet.rated_power)
    (trip,) = (t for t in plan.sequence.trip if t.quantity == "supply_current")
    at = trip.above.evaluate_in("A", sheet.names())
    assert at >= swing + GENEROUS * sheet.expected_supply_current


RECEIVER = """
model = "Small receiver"
channels = ["left", "right"]
topology = "single_ended"
rails = "single"
rail_voltage = "16 V"
rated_power = "3 W"
rated_load = "2 Ω"
gain = "30 dB"
output_devices = 1
ballast = "0.33 Ω"
idle_current = "30 mA"
sink_rise_limit = "40 K"
rated_band = ["60 Hz", "15 kHz"]
inputs = ["line", "phono"]
"""


@pytest.mark.parametrize("name", ["preamp", "isolate"])
def test_a_small_receiver_for_low_loads_is_no_reason_to_refuse(tmp_path: Path, name: str) -> None:
    """Half a volt into 2 Ω is more than may go into a load that nobody has measured; fifteen
    decibels above a tenth of a watt are more than a unit of 3 W gives."""
    path = tmp_path / "unit.toml"
    path.write_text(RECEIVER, encoding="utf-8")
    plan, _ = prepare(name, "demo", str(path))
    most = max(w for action in plan.actions for w in action.needs.load_power_w.values())
    assert most <= 1.01 * plan.view.unit.rated_power


def test_a_step_of_too_much_power_is_told_to_ask_for_less_and_not_to_protect_less(
    tmp_path: Path,
) -> None:
    path, own = tmp_path / "unit.toml", tmp_path / "own.toml"
    path.write_text(RECEIVER, encoding="utf-8")
    text = find("sequence", "preamp").read_text("utf-8")
    assert "min(0.3 W, rated_power / 40)" in text
    own.write_text(text.replace("min(0.3 W, rated_power / 40)", "0.3 W"), encoding="utf-8")
    with pytest.raises(UsageError, match="would trip") as told:
        prepare(str(own), "demo", str(path))
    assert told.value.where == "loudness"
    assert "10.8 W may come into a load" in (told.value.hint or "")
    assert "divide the power of this step by 4" in (told.value.hint or "")


def test_a_preamplifier_of_unknown_gain_drives_a_small_receiver_into_no_trip(
    tmp_path: Path,
) -> None:
    """The first level goes by the sheet's gain, which is that of the power stage alone."""
    path, own = tmp_path / "unit.toml", tmp_path / "begins.toml"
    mono = RECEIVER.replace('["left", "right"]', '["only"]').replace('"30 mA"', '"10 mA"')
    path.write_text(mono, encoding="utf-8")
    head, *steps = find("sequence", "preamp").read_text("utf-8").split("[[step]]\n")
    ends = next(n for n, step in enumerate(steps) if step.startswith('id = "flat"'))
    own.write_text("[[step]]\n".join([head, *steps[:ends], steps[-1]]), encoding="utf-8")
    done = run_of(str(own), (), str(path), tmp_path / "results")
    assert done.outcome.disposition is not Disposition.ABORTED, done.outcome.reason
    assert all(reading.value is not None for reading in done.readings("gain_line"))
