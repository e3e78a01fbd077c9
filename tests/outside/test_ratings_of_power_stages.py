"""What unit sheets derive from ratings, against relations that are derived beside each check.

A class-B stage draws half sines from its rails and drives the whole sine into the load; what
follows from that is worked out here (computed), and no book is cited for it.
"""

import numpy as np
import pytest
from scipy.constants import e, k

from seqrun.files.shipped import shipped
from seqrun.files.unit.sheet import Unit, load_unit


def _with(topology: str, rails: str = "split") -> Unit:
    return Unit.from_text(
        load_unit("demo-2x40")
        .text.replace('"single_ended"', f'"{topology}"')
        .replace('"split"', f'"{rails}"')
        .replace('"40 W"', '"5 W"')
    )


def test_bridging_doubles_the_voltage_and_gives_four_times_the_power() -> None:
    # Computed: each terminal moves against the other, twice the voltage into the same load, and
    # power goes as its square.
    single, bridged = _with("single_ended"), _with("bridged")
    assert bridged.largest_peak == pytest.approx(2 * single.largest_peak)
    assert (bridged.largest_peak / single.largest_peak) ** 2 == pytest.approx(4)


def test_bridging_on_one_rail_reaches_the_rail_and_a_lone_stage_half_of_it() -> None:
    # Source: common practice: the output of a single-rail stage rests at half the rail.
    assert _with("bridged", "single").largest_peak == pytest.approx(30.0)
    assert _with("single_ended", "single").largest_peak == pytest.approx(15.0)


def test_supply_current_at_power_is_the_mean_of_a_half_wave() -> None:
    # Computed: the mean of a half-wave rectified sine, integrated here (peak/π).
    unit = load_unit("demo-mono")
    phase = np.linspace(0.0, 2.0 * np.pi, 100_000, endpoint=False)
    peak = np.sqrt(2.0 * unit.rated_power / unit.rated_load)
    mean = np.clip(peak * np.sin(phase), 0.0, None).mean()
    assert unit.supply_current_at(unit.rated_power) == pytest.approx(mean, rel=1e-6)


def test_class_b_efficiency_at_full_swing_is_pi_over_four() -> None:
    # Computed: (V²/2R) over 2 V · V/(π R) is π/4, when the peak reaches the rail.
    unit = load_unit("demo-mono")
    full = unit.rail_voltage**2 / (2.0 * unit.rated_load)
    drawn = unit.supply_current_at(full) * 2.0 * unit.rail_voltage
    assert full / drawn == pytest.approx(np.pi / 4.0, rel=1e-9)


def test_bridged_single_rail_class_b_is_as_efficient() -> None:
    # Computed: (V²/2R) over V · 2V/(π R), both half-bridges drawing from the one rail: π/4.
    unit = load_unit("demo-bridged")
    full = unit.rail_voltage**2 / (2.0 * unit.rated_load)
    drawn = unit.supply_current_at(full) / len(unit.channels) * unit.rail_voltage
    assert full / drawn == pytest.approx(np.pi / 4.0, rel=1e-9)


@pytest.mark.parametrize("name", shipped("unit"))
def test_speaker_relays_close_within_the_usual_time(name: str) -> None:
    # Common practice: 2 s to 10 s after switch-on. Every sheet that ships, none left out.
    least, most = load_unit(name).relay_delay
    assert 2.0 <= least <= most <= 10.0


def test_what_a_device_that_carries_thirty_per_cent_more_pays_in_life() -> None:
    # What 'share_cold' of the acceptance says. Computed: 30 % more power is 30 % more rise. Source
    # of the law: Arrhenius, 0.7 eV as reliability handbooks take it for silicon (from memory).
    hotter = 1.3 * 20.0 - 20.0
    kelvin = 373.15
    rate = np.exp(0.7 * e / k * (1.0 / kelvin - 1.0 / (kelvin + hotter)))
    assert hotter == pytest.approx(6.0)
    assert rate == pytest.approx(1.4, abs=0.05)
