"""A unit on a single rail, through output capacitors: what is read of it, sound and faulty."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from seqrun.errors import SeqrunError
from seqrun.files.findings.load import load_findings
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import Unit
from seqrun.judge.findings import weigh
from seqrun.values import Verdict

Powered = Callable[..., Any]
OFFSET = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
"""
BASS = """
[[step]]
id = "bass"
do = "lower_corner"
low = "5 Hz"
high = "1 kHz"
per_octave = 2
limit = { at_most = "20 Hz" }
"""
POWER = """
[[step]]
id = "power"
do = "output_power"
at_distortion = "1 %"
start = "0.85 * rated_power"
limit = { at_least = "rated_power" }
"""


def verdicts(read: Any, quantity: str) -> dict[str, Verdict]:
    return {j.channel: j.verdict for j in read.judged if j.quantity == quantity and j.limit}


def test_a_sound_one_passes_and_its_corner_is_that_of_the_capacitor(powered: Powered) -> None:
    unit = powered(unit="demo-single")
    read = unit.do(OFFSET + BASS + POWER)
    for quantity in ("dc_offset", "lower_corner", "output_power"):
        assert set(verdicts(read, quantity).values()) == {Verdict.PASS}
    corner = read.one("lower_corner", "left")
    truth = unit.truth
    assert truth.gain("left", corner.value) / truth.gain("left", 1000.0) == pytest.approx(
        0.7079, rel=0.01
    )


@pytest.mark.parametrize(
    ("fault", "steps", "quantity", "among"),
    [
        ("dried_output_capacitor@left", BASS, "lower_corner", 1),
        ("leaky_output_capacitor@left=0.58", OFFSET, "dc_offset", 1),
        ("midpoint_off@left", POWER, "output_power", 2),  # or its relay: nothing else was read
    ],
)
def test_what_belongs_to_it_is_caught_and_named(
    powered: Powered, fault: str, steps: str, quantity: str, among: int
) -> None:
    read = powered(fault, unit="demo-single").do(steps)
    found = verdicts(read, quantity)
    assert found["left"] is Verdict.FAIL
    assert found["right"] is Verdict.PASS
    sheet = powered(unit="demo-single").view.unit
    causes = weigh(patterns_for(load_findings("power-stage"), sheet), read.judged).causes
    assert f"{fault.partition('@')[0]}.left" in [cause.id for cause in causes[:among]]


def test_a_sheet_tells_its_capacitor_or_has_one_for_its_band() -> None:
    text = find("unit", "demo-single").read_text(encoding="utf-8")
    assert Unit.from_text(text).output_capacitor == pytest.approx(3.3e-3)
    untold = Unit.from_text(text.replace("output_capacitor", "# output_capacitor"))
    assert untold.output_capacitor == pytest.approx(2.98e-3, rel=0.01)  # 6.7 Hz into 8 Ω
    for old, new in (('"single"', '"split"'), ('"single_ended"', '"bridged"')):
        with pytest.raises(SeqrunError, match="output_capacitor"):
            Unit.from_text(text.replace(old, new))


def test_a_band_that_its_own_capacitor_takes_is_a_contradiction() -> None:
    text = find("unit", "demo-single").read_text(encoding="utf-8")
    small = text.replace('"3300 µF"', '"500 µF"')  # 39.8 Hz into 8 Ω
    band = '\nrated_band = ["{} Hz", "15 kHz"]\n'
    with pytest.raises(SeqrunError, match=r"39\.8 Hz, and rated_band begins at 30 Hz") as told:
        Unit.from_text(small + band.format(30))
    assert "664 µF or more as it is marked, or a rated_band from 40 Hz or higher" in str(told.value)
    assert Unit.from_text(small + band.format(40)).rated_band[0] == 40.0


def test_a_sheet_without_a_band_has_what_its_capacitor_leaves() -> None:
    text = find("unit", "demo-single").read_text(encoding="utf-8")
    assert Unit.from_text(text).rated_band == (20.0, 20e3)
    small = Unit.from_text(text.replace('"3300 µF"', '"500 µF"'))
    assert small.rated_band == (pytest.approx(79.6, abs=0.1), 20e3)
    assert small.power_left_low == pytest.approx(0.8)


RATED = """
[[step]]
id = "bass"
do = "lower_corner"
low = "16 Hz"
high = "1 kHz"
per_octave = 1
[[step]]
id = "even"
do = "flatness"
of = "bass"
band = ["2 * rated_band_low", "1 kHz"]
"""


def test_a_band_goes_by_what_the_sheet_promises(powered: Powered, tmp_path: Path) -> None:
    """One that is rated from 60 Hz is not uneven for what it loses below."""
    text = find("unit", "demo-single").read_text(encoding="utf-8")
    text = text.replace('output_capacitor = "3300 µF"', 'rated_band = ["60 Hz", "15 kHz"]')
    sheet = tmp_path / "radio.toml"
    sheet.write_text(text, encoding="utf-8")
    read = powered(unit=str(sheet)).do(RATED)
    assert 18.0 < read.one("lower_corner", "left").value < 24.0
    whole, upper = (r for r in read.all("flatness") if r.channel == "left")
    assert whole.note.startswith("60 Hz to")
    assert 0.3 < whole.value < 0.8
    assert upper.note.startswith("120 Hz to")
    assert upper.value < 0.25
