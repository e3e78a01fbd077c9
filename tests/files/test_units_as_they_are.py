"""Units that keep things to themselves: no ballasts to reach, an idle current that nobody knows."""

from __future__ import annotations

import pytest

from seqrun.errors import FileError, UnitLacks
from seqrun.files.unit.features import FEATURES
from seqrun.files.unit.sheet import Unit, load_unit

CHIP = """
model = "Integrated 2x30"
channels = ["left", "right"]
topology = "parallel_bridged"
stage = "integrated"
paralleled = 2
output_ballast = "0.1 Ω"
rails = "single"
rail_voltage = "27 V"
rated_power = "30 W"
rated_load = "8 Ω"
gain = "26 dB"
output_devices = "not accessible"
ballast = "not accessible"
idle_current = "unknown"
supply_idle = "200 mA"
sink_rise_limit = "40 K"
sink_limit = "75 °C"
own_supply = "switching"
start_up = "5 s"
input_mute = "0.5 s"
"""


def chip(old: str = "", new: str = "") -> Unit:
    assert old in CHIP
    return Unit.from_text(CHIP.replace(old, new) if old else CHIP)


def test_what_the_unit_keeps_to_itself_is_told_in_the_sheets_own_words() -> None:
    unit = chip()
    with pytest.raises(UnitLacks, match="not accessible on this unit: its ballast resistors"):
        _ = unit.ballast
    with pytest.raises(UnitLacks, match="unknown: the idle current"):
        _ = unit.idle_current
    assert set(unit.withheld) == {
        "output_devices", "ballast", "idle_current", "idle_current_low", "idle_current_high",
    }  # fmt: skip
    assert not set(unit.names()) & set(unit.withheld)
    assert unit.units_of_names()["idle_current_high"] == "A"
    assert unit.told()["ballast"] == "not accessible"
    assert unit.plain()["ballast"] is None


def test_the_supply_current_stands_in_and_must_be_told() -> None:
    assert chip().names()["supply_idle"].value == pytest.approx(0.2)
    with pytest.raises(FileError, match=r"supply_idle.*cannot be worked out.*idle current"):
        chip('supply_idle = "200 mA"\n', "")


@pytest.mark.parametrize("wrong", ['"no idea"', '"5 V"', '"-1 Ω"', "0.22", '"0 Ω"', "true"])
def test_anything_else_in_its_place_is_one_problem_that_names_the_words(wrong: str) -> None:
    with pytest.raises(FileError) as problem:
        chip('ballast = "not accessible"', f"ballast = {wrong}")
    assert '"not accessible" or "unknown"' in str(problem.value)
    assert "things are wrong" not in str(problem.value)


@pytest.mark.parametrize("wrong", ['"two"', "0", "17", "2.0", "true"])
def test_output_devices_are_counted_or_told_to_be_out_of_reach(wrong: str) -> None:
    with pytest.raises(FileError, match='a whole number from 1 to 16, "not accessible"'):
        chip('output_devices = "not accessible"', f"output_devices = {wrong}")


def test_a_bridged_sheet_brings_its_caution_by_itself() -> None:
    assert "both speaker terminals are live" in chip().cautions[0]
    own = chip("model =", 'cautions = ["Hot."]\nmodel =')
    assert own.cautions == (chip().cautions[0], "Hot.")
    assert load_unit("demo-2x40").cautions == ()


def test_paralleled_stages_have_output_ballasts_to_measure_across() -> None:
    points = [name for name in chip().points() if name.startswith("output_ballast")]
    assert len(points) == 8  # two channels, two terminals, two stages each
    point = chip().point("output_ballast.left.neg.2")
    assert (point.hot, point.cold) == (f"{point.name}.hot", f"{point.name}.cold")
    hidden = chip('output_ballast = "0.1 Ω"', 'output_ballast = "not accessible"')
    assert not any(name.startswith("output_ballast") for name in hidden.points())


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("paralleled = 2\n", "", "no power stages are in parallel"),
        ('own_supply = "switching"\n', "", "no supply of its own"),
        ('paralleled = 2\noutput_ballast = "0.1 Ω"\n', "", "2 or more for parallel_bridged"),
    ],
)
def test_a_sheet_that_contradicts_itself_is_refused(old: str, new: str, told: str) -> None:
    with pytest.raises(FileError, match=told):
        chip(old, new)


def test_features_by_which_a_step_is_left_away() -> None:
    has = {name for name, feature in FEATURES.items() if feature(chip())}
    assert {
        "integrated power stages", "power stages in parallel", "output ballasts in reach",
        "ballasts out of reach", "a single rail", "a supply of its own", "bridged output",
        "a limit for the heatsink",
    } <= has  # fmt: skip
    assert not has & {
        "ballasts in reach", "one device each", "devices in parallel", "discrete output devices",
    }  # fmt: skip
