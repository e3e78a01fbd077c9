"""What is plain in a unit of tens of watts is no sign in one of half a watt, or on a large sink."""

from __future__ import annotations

import pytest
from findings_cases import read

from seqrun.files.findings.load import findings_for
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.unit.sheet import Unit
from seqrun.judge.findings import Findings, weigh

SHEET = """
model = "Small 0.5"
channels = ["mono"]
topology = "single_ended"
rails = "split"
rail_voltage = "30 V"
rated_power = "{watts} W"
rated_load = "8 Ω"
gain = "{gain} dB"
output_devices = 1
ballast = "0.47 Ω"
idle_current = "25 mA"
sink_rise_limit = "40 K"
"""


def weighed(
    *readings: tuple[str, str, float, str], watts: float = 0.5, gain: float = 34
) -> Findings:
    unit = Unit.from_text(SHEET.format(watts=watts, gain=gain))
    file = findings_for("quick")
    assert file is not None
    judged = [
        read(step, quantity, value, unit_of, "mono" if quantity == "noise" else "")
        for step, quantity, value, unit_of in readings
    ]
    return weigh(patterns_for(file, unit), judged, "all limits are met", "quick")


def told(found: Findings) -> str:
    return " ".join(str(reason) for cause in found.causes for reason in cause.speaking_for)


@pytest.mark.parametrize(
    ("watts", "gain", "microvolts", "noisy"),
    [
        (0.5, 34.0, 600.0, False),  # 12 µV at the input: any input stage has it
        (0.5, 34.0, 1500.0, True),
        (0.5, 9.0, 80.0, True),  # 2 V in for full power, and 40 µV of noise there
        (40.0, 29.0, 600.0, True),
        (40.0, 29.0, 560.0, False),
    ],
)
def test_noise_is_held_against_what_a_line_level_makes_of_the_gain(
    watts: float, gain: float, microvolts: float, noisy: bool
) -> None:
    found = weighed(("noise.mono", "noise", 1e-6 * microvolts, "V"), watts=watts, gain=gain)
    assert ("a channel is noisy" in told(found)) is noisy


@pytest.mark.parametrize(("rise_k", "off"), [(4.8, False), (1.0, True)])
def test_a_large_heatsink_takes_its_time_and_a_sensor_in_the_air_does_not_warm(
    rise_k: float, off: bool
) -> None:
    found = weighed(
        ("ambient", "ambient_temperature", 23.0, "°C"),
        ("warm", "held_sink_temperature", 23.0 + rise_k, "°C"),
    )
    first = found.causes[0]
    assert (first.id == "sensor_off" and first.probability > 0.5) is off


def test_what_small_stages_draw_is_no_bias_that_is_high() -> None:
    """25 mA by the sheet; 35 mA with them, as the rails give it."""
    for amperes, high in ((0.035, False), (0.05, True)):
        readings = [("idle_supply", "idle_supply_current", amperes, "A")]
        readings += [("bring_up", "bring_up_current", amperes, "A")]
        assert ("times the idle current" in told(weighed(*readings))) is high


@pytest.mark.parametrize(
    ("capacitor", "low_w", "bend_db", "bends"),
    [
        ("2200 µF", 0.42, 0.9, False),  # 9 Hz with its load: 0.83 of the power is left at 20 Hz
        ("2200 µF", 0.33, 1.7, True),
        ("10 mF", 0.42, 0.9, True),
    ],
)
def test_what_the_output_capacitor_of_the_sheet_takes_is_no_loss_of_bass(
    capacitor: str, low_w: float, bend_db: float, bends: bool
) -> None:
    sheet = SHEET.replace('"split"', f'"single"\noutput_capacitor = "{capacitor}"')
    file = findings_for("acceptance")
    assert file is not None
    judged = [
        read("power_low", "output_power", low_w, "W", "mono"),
        read("power", "output_power", 0.51, "W", "mono"),
        read("flat", "flatness", bend_db, "dB", "mono"),
    ]
    unit = Unit.from_text(sheet.format(watts=0.5, gain=26))
    found = weigh(patterns_for(file, unit), judged, "all limits are met", "acceptance")
    assert ("at one end of the band" in told(found)) is bends
    assert ("bends by" in told(found)) is bends


def test_power_at_the_low_end_is_halved_where_a_capacitor_has_its_corner() -> None:
    sheet = SHEET.format(watts=0.5, gain=26)
    assert Unit.from_text(sheet).power_left_low == 1.0
    at_20_hz = sheet.replace(
        '"split"', '"single"\noutput_capacitor = "996 µF"\nrated_band = ["20 Hz", "20 kHz"]'
    )
    assert Unit.from_text(at_20_hz).power_left_low == pytest.approx(0.5, abs=0.002)


INTEGRATED = """
model = "Integrated 2x40"
channels = ["left", "right"]
topology = "single_ended"
stage = "integrated"
rails = "split"
rail_voltage = "31 V"
rated_power = "40 W"
rated_load = "8 Ω"
gain = "34 dB"
output_devices = "not accessible"
ballast = "not accessible"
idle_current = "unknown"
supply_idle = "240 mA"
sink_rise_limit = "60 K"
"""


@pytest.mark.parametrize(
    ("left", "right", "low"),
    [
        (0.032, 0.14, True),  # a tenth of its idle current is left
        (0.032, 0.075, False),  # more than twice, as parts that differ may make it
        (0.02, 0.07, False),  # little, whatever the other one has
        (0.32, 0.31, False),
    ],
)
def test_a_channel_that_has_lost_its_bias_is_told_by_the_other_where_no_ballast_tells(
    left: float, right: float, low: bool
) -> None:
    """The rails of two channels may still give as much as one sheet allows."""
    file = findings_for("acceptance")
    assert file is not None
    judged = [
        read("crossover", "thd", value, "%", channel)
        for channel, value in (("left", left), ("right", right))
    ]
    unit = Unit.from_text(INTEGRATED)
    found = weigh(patterns_for(file, unit), judged, "all limits are met", "acceptance")
    assert (found.causes[0].id == "bias_low.right") is low
    assert found.faulty is low
