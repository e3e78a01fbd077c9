"""What unit sheets derive from ratings, against relations of any power-amplifier handbook."""

import numpy as np
import pytest

from seqrun.files.unit import Unit, load_unit


def _with(topology: str, rails: str = "split") -> Unit:
    return Unit.from_text(
        load_unit("demo-2x40")
        .text.replace('"single_ended"', f'"{topology}"')
        .replace('"split"', f'"{rails}"')
        .replace('"40 W"', '"5 W"')
    )


def test_bridging_doubles_the_voltage_and_gives_four_times_the_power() -> None:
    # Source: any power-amplifier handbook, and common practice: twice the voltage into the same
    # load, four times the power.
    single, bridged = _with("single_ended"), _with("bridged")
    assert bridged.largest_peak == pytest.approx(2 * single.largest_peak)
    assert (bridged.largest_peak / single.largest_peak) ** 2 == pytest.approx(4)


def test_bridging_on_one_rail_reaches_the_rail_and_a_lone_stage_half_of_it() -> None:
    # Source: common practice: the output of a single-rail stage rests at half the rail.
    assert _with("bridged", "single").largest_peak == pytest.approx(30.0)
    assert _with("single_ended", "single").largest_peak == pytest.approx(15.0)


def test_supply_current_at_power_is_the_mean_of_a_half_wave() -> None:
    # Source: mean of a half-wave rectified sine (Fourier series, any handbook), integrated here.
    unit = load_unit("demo-mono")
    phase = np.linspace(0.0, 2.0 * np.pi, 100_000, endpoint=False)
    peak = np.sqrt(2.0 * unit.rated_power / unit.rated_load)
    mean = np.clip(peak * np.sin(phase), 0.0, None).mean()
    assert unit.supply_current_at(unit.rated_power) == pytest.approx(mean, rel=1e-6)


def test_class_b_efficiency_at_full_swing_is_pi_over_four() -> None:
    # Source: any power-amplifier handbook: 78.5 % when the peak reaches the rail.
    unit = load_unit("demo-mono")
    full = unit.rail_voltage**2 / (2.0 * unit.rated_load)
    drawn = unit.supply_current_at(full) * 2.0 * unit.rail_voltage
    assert full / drawn == pytest.approx(np.pi / 4.0, rel=1e-9)


def test_bridged_single_rail_class_b_is_as_efficient() -> None:
    # Source: the same handbook relation; both half-bridges draw from the one rail.
    unit = load_unit("demo-bridged")
    full = unit.rail_voltage**2 / (2.0 * unit.rated_load)
    drawn = unit.supply_current_at(full) / len(unit.channels) * unit.rail_voltage
    assert full / drawn == pytest.approx(np.pi / 4.0, rel=1e-9)


@pytest.mark.parametrize("name", ["demo-2x40", "demo-mono", "demo-receiver"])
def test_speaker_relays_close_within_the_usual_time(name: str) -> None:
    # Source: common practice: 2 s to 10 s after switch-on.
    least, most = load_unit(name).relay_delay
    assert 2.0 <= least <= most <= 10.0
