"""A generator gives so many volts; a unit that has lost its gain asks for more."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from seqrun.files.shipped import find
from seqrun.values import Bound

Powered = Callable[..., Any]
#: 17.9 V at rated power want 4.5 V in, and the demo bench's generator gives 5 V
SHEET = find("unit", "demo-2x40").read_text("utf-8").replace('"29 dB"', '"12 dB"')
THD = """
[[step]]
id = "distortion"
do = "thd"
power = "0.9 * rated_power"
"""
POWER = """
[[step]]
id = "power"
do = "output_power"
at_distortion = "1 %"
"""


def quieter(powered: Powered, folder: Path) -> Any:
    sheet = folder / "low-gain.toml"
    sheet.write_text(SHEET, encoding="utf-8")
    return powered("loss_of_gain@left", unit=str(sheet))


def test_a_power_that_it_cannot_drive_is_not_measured_and_ends_no_run(
    powered: Powered, tmp_path: Path
) -> None:
    reason = quieter(powered, tmp_path).do(THD).reason()
    assert "would have to go in for what is wanted at out.left" in reason
    assert "the generator gives 5 V" in reason


def test_a_search_for_clipping_ends_at_the_most_that_it_gives(
    powered: Powered, tmp_path: Path
) -> None:
    read = quieter(powered, tmp_path).do(POWER)
    left = read.one("output_power", "left")
    assert left.bound is Bound.AT_LEAST
    assert "generator gives no more than 5 V" in left.note
    assert read.one("output_power", "right").value > 40.0
