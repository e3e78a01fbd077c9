"""The shipped acceptance looks for oscillation on loud tips, cold and hot, and into a capacitor."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from seqrun.files.shipped import find
from seqrun.files.unit.sheet import Unit
from seqrun.values import Verdict

Powered = Callable[..., Any]
#: 14 V peak at rated power, 10 V at half of it
SHEET = """
model = "Mono 25"
channels = ["mono"]
topology = "single_ended"
rails = "split"
rail_voltage = "30 V"
rated_power = "25 W"
rated_load = "4 Ω"
gain = "26 dB"
output_devices = 1
ballast = "0.1 Ω"
idle_current = "60 mA"
sink_rise_limit = "40 K"
"""


def shipped(*wanted: str) -> str:
    """Steps of the acceptance, as they stand there."""
    _, *steps = find("sequence", "acceptance").read_text("utf-8").split("[[step]]\n")
    found = {text.removeprefix('id = "').partition('"')[0]: text for text in steps}
    return "".join(f"[[step]]\n{found[name]}" for name in wanted)


def test_a_stage_that_oscillates_beyond_12_v_is_seen_before_it_is_warm(
    powered: Powered, tmp_path: Path
) -> None:
    """Half of rated power does not get there, and an hour later it may be calm."""
    sheet = tmp_path / "mono.toml"
    sheet.write_text(SHEET, encoding="utf-8")
    unit = powered("peak_oscillation@mono", unit=str(sheet))
    read = unit.do(shipped("stray_cold", "stray_cold_loud"))
    found = {j.step: j.verdict for j in read.judged if j.quantity == "stray" and j.limit}
    assert found == {"stray_cold": Verdict.PASS, "stray_cold_loud": Verdict.FAIL}


def test_a_capacitor_is_tried_with_seven_tenths_of_the_rated_swing() -> None:
    """Half of rated power: a stage that is calm to half of its swing alone is not stable."""
    assert 'power = "rated_power / 2"' in shipped("stray_capacitor.{channel}")
    unit = Unit.from_text(SHEET)
    assert 0.7 < (0.5 * unit.rated_power * unit.rated_load) ** 0.5 / unit.rated_voltage < 0.71
