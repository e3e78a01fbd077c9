"""Power, clipping, efficiency; and what is said near an instrument's floor."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import NotMeasured
from seqrun.measure import headroom, power
from seqrun.measure.bounds import above_distortion, above_noise, quantisation_rms
from seqrun.measure.uncertain import scatter_of_mean
from seqrun.values import Bound, budget_of, exactly, normal, rectangular

RATE, TONE = 200_000.0, 1000.0
LOAD = normal(8.0, 0.02, "load")


def sine(peak: float, cycles: float = 100.0, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    points = round(cycles * RATE / TONE)
    wave = peak * np.sin(2 * np.pi * TONE / RATE * np.arange(points) + 0.3)
    return wave + np.random.default_rng(seed).normal(0.0, noise, points)


def point(watts: float, distortion: float) -> power.PowerPoint:
    return power.PowerPoint(
        normal(watts, 1e-3 * watts, f"{watts} W"), normal(distortion, 1e-3 * distortion, "thd")
    )


def test_17_9_v_into_8_ohm_is_40_w() -> None:
    found = power.power_into_load(normal(17.889, 0.01, "v"), LOAD)
    assert found.nominal_value == pytest.approx(40.0, abs=1e-2)
    assert found.std_dev == pytest.approx(
        40.0 * math.hypot(2 * 0.01 / 17.889, 0.02 / 8.0), rel=1e-3
    )


@pytest.mark.parametrize("cycles", [16.0, 100.0, 100.37])
def test_rms_does_not_care_for_a_broken_period(cycles: float) -> None:
    found = power.true_rms(sine(20.0, cycles), RATE, TONE)
    assert found.nominal_value == pytest.approx(20.0 / math.sqrt(2.0), rel=2e-4)


def test_a_dc_offset_is_no_power() -> None:
    found = power.true_rms(sine(20.0) + 3.0, RATE, TONE)
    assert found.nominal_value == pytest.approx(20.0 / math.sqrt(2.0), rel=1e-5)


def test_rms_of_a_noisy_sine_is_held_by_its_interval() -> None:
    truth = math.hypot(1.0 / math.sqrt(2.0), 0.1)
    values = [power.true_rms(sine(1.0, 100.4, 0.1, seed), RATE, TONE) for seed in range(150)]
    held = sum(abs(v.nominal_value - truth) <= 2.0 * v.std_dev for v in values)
    assert 0.90 * 150 <= held <= 149


@pytest.mark.parametrize(
    ("wave", "reason"),
    [(sine(1.0, 10.0), "periods in the record"), (np.zeros(20_000), "flat record")],
)
def test_rms_of_too_little_is_not_measured(wave: np.ndarray, reason: str) -> None:
    with pytest.raises(NotMeasured, match=reason):
        power.true_rms(wave, RATE, TONE)


def test_power_into_no_load_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="known resistance"):
        power.power_into_load(normal(1.0, 0.1, "v"), normal(0.0, 0.1, "r"))


def test_a_power_that_the_supply_does_not_give_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="no load found"):
        power.check_load_present(None, normal(5.0, 0.1, "in"), normal(40.0, 0.5, "out"))
    power.check_load_present(None, normal(60.0, 0.5, "in"), normal(40.0, 0.5, "out"))


def test_power_at_one_percent_lies_between_the_points_about_it() -> None:
    found = power.power_at_distortion([point(40.0, 0.004), point(42.0, 0.02)], 0.01)
    assert found.bound is Bound.EXACT
    assert 40.0 < found.power.nominal_value < 42.0
    assert {c.source.name for c in budget_of(found.power)} >= {"interpolation", "thd"}


def test_a_sweep_that_never_distorts_is_at_least_its_highest_power() -> None:
    levels = [point(36.0, 1e-3), point(30.0, 1e-3), point(42.0, 2e-3)]
    found = power.power_at_distortion(levels, 0.01)
    assert found.bound is Bound.AT_LEAST
    assert found.power.nominal_value == pytest.approx(42.0)


def test_crossover_distortion_at_low_level_is_not_taken_for_clipping() -> None:
    series = [point(0.01, 0.03), point(1.0, 0.005), point(40.0, 0.004), point(42.0, 0.02)]
    assert power.power_at_distortion(series, 0.01).power.nominal_value > 40.0


def test_distortion_at_every_level_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="already"):
        power.power_at_distortion([point(1.0, 0.05), point(40.0, 0.06)], 0.01)


def test_a_sweep_without_clipping_has_no_onset() -> None:
    with pytest.raises(NotMeasured, match="no level"):
        power.clipping_onset([point(1.0, 1e-4), point(10.0, 1e-4)])


def test_bursts_of_twice_the_rated_power_are_3_db_of_headroom() -> None:
    found = power.dynamic_headroom_db(normal(80.0, 0.1, "burst"), 40.0)
    assert found.nominal_value == pytest.approx(3.01, abs=0.01)


def bursts(peaks: tuple[float, ...], cycles: int = 20) -> np.ndarray:
    """Bursts of the tone, one every 100 ms."""
    time = np.arange(round(0.1 * RATE)) / RATE
    gate = (time >= 0.0302) & (time < 0.0302 + cycles / TONE)
    wave = np.concatenate([p * gate * np.sin(2 * np.pi * TONE * (time - 0.0302)) for p in peaks])
    return wave + np.random.default_rng(0).normal(0.0, 0.01, wave.size)


def test_power_of_a_burst_is_that_while_it_lasts() -> None:
    found = headroom.burst_power(bursts((25.3,)), RATE, TONE, load=LOAD)
    assert found.nominal_value == pytest.approx(25.3**2 / 16.0, rel=1e-3)


def test_a_single_period_is_no_burst() -> None:
    with pytest.raises(NotMeasured, match="in the burst"):
        headroom.burst_power(bursts((25.3,), cycles=1), RATE, TONE, load=LOAD)


def test_quantisation_of_8_bits_on_40_v_is_known_in_the_audio_band() -> None:
    """An 8-bit converter over 40 V: 156 mV/√12 = 45 mV, of which 22 % of the band."""
    lsb = 40.0 / 256
    wave = np.round(sine(15.0, 100.37, 0.2) / lsb) * lsb - sine(15.0, 100.37, 0.2)
    everywhere = quantisation_rms(lsb, RATE / 2, RATE)
    assert float(np.std(wave)) == pytest.approx(everywhere, rel=0.02)
    assert quantisation_rms(lsb, 22e3, RATE) == pytest.approx(0.0211, rel=0.01)


def test_what_is_drawn_and_not_delivered_is_heat() -> None:
    drawn = power.supply_power(
        [normal(30.0, 0.01, "v1"), normal(30.0, 0.01, "v2")],
        [normal(2.0, 0.01, "i1"), normal(2.0, 0.01, "i2")],
    )
    out = [normal(40.0, 0.1, "l"), normal(40.0, 0.1, "r")]
    assert power.dissipation(out, drawn).nominal_value == pytest.approx(40.0)
    assert power.efficiency(out, drawn).nominal_value == pytest.approx(2.0 / 3.0)


def test_efficiency_without_power_in_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="no power"):
        power.efficiency([normal(1.0, 0.1, "out")], normal(0.0, 0.1, "in"))


@given(st.floats(0.1, 10.0), st.floats(0.01, 1.0))
def test_a_known_noise_floor_is_taken_out_as_a_mean_square(true: float, floor: float) -> None:
    measured = normal(math.hypot(true, floor), 1e-9, "m")
    found = above_noise(measured, normal(floor, 1e-9, "floor"))
    if found.bound is Bound.EXACT:
        assert found.value.nominal_value == pytest.approx(true, rel=1e-6)


@given(st.floats(0.0, 5.0), st.floats(0.01, 1.0), st.floats(0.0, 1.0))
def test_at_most_is_never_less_than_the_truth(true: float, limit: float, share: float) -> None:
    """Noise: whatever the floor really is within its data-sheet limit."""
    measured = normal(math.hypot(true, share * limit), 1e-9, "m")
    found = above_noise(measured, limit)
    if found.bound is Bound.AT_MOST:
        assert found.value.nominal_value >= true - 1e-6


@given(st.floats(0.0, 5.0), st.floats(0.01, 1.0), st.floats(-1.0, 1.0))
def test_distortion_at_most_is_never_less_than_the_truth(
    true: float, limit: float, phase: float
) -> None:
    measured = normal(abs(true + phase * limit), 1e-9, "m")
    found = above_distortion(measured, limit)
    if found.bound is Bound.AT_MOST:
        assert found.value.nominal_value >= true - 1e-6


def test_floors_with_hidden_values_are_held_by_the_interval() -> None:
    """Floors drawn within their data-sheet limits, phases drawn evenly, readings clear of them."""
    rng = np.random.default_rng(9)
    held = np.zeros(2)
    for _ in range(1000):
        floor = math.sqrt(rng.uniform(0.0, 1.0))
        noise = above_noise(normal(math.hypot(2.0, floor), 1e-6, "m"), 1.0).value
        held[0] += abs(noise.nominal_value - 2.0) <= 2.0 * noise.std_dev
        phasor = rng.uniform(0.0, 1.0) * np.exp(1j * rng.uniform(0.0, 2.0 * math.pi))
        distortion = above_distortion(normal(abs(4.0 + phasor), 1e-6, "m"), 1.0).value
        held[1] += abs(distortion.nominal_value - 4.0) <= 2.0 * distortion.std_dev
    assert np.all(held >= 930)


@pytest.mark.parametrize("repeats", [4, 6, 20])
def test_the_mean_of_few_repeats_is_held_at_95_percent(repeats: int) -> None:
    """JCGM 101:2008, 6.4.9.4: the t-distribution's standard deviation."""
    rng = np.random.default_rng(repeats)
    held = 0
    for _ in range(2000):
        values = rng.normal(0.0, 1.0, repeats)
        held += abs(values.mean()) <= 2.0 * scatter_of_mean(values)
    assert held / 2000 == pytest.approx(0.955, abs=0.015)


def test_a_rectangular_load_tolerance_is_named_in_the_budget() -> None:
    load = rectangular(8.0, 0.04, "load tolerance")
    found = power.power_into_load(normal(10.0, 1e-4, "v"), load)
    assert budget_of(found)[0].source.name == "load tolerance"


def test_distortion_near_a_stated_floor_is_at_most_and_half_as_much_again_is_a_number() -> None:
    """A floor of 0.02 % that comes near its limit, in phase, makes 0.025 % of hardly any."""
    near = above_distortion(exactly(2.9e-4), 2e-4)
    assert near.bound is Bound.AT_MOST
    assert near.value.nominal_value == pytest.approx(4.9e-4)
    clear = above_distortion(exactly(3.1e-4), 2e-4)
    assert clear.bound is Bound.EXACT
    assert 2.0 * clear.value.std_dev == pytest.approx(2.0 * 2e-4 / math.sqrt(6.0))
    # one that was measured is known in size
    assert above_distortion(exactly(2.9e-4), normal(2e-4, 1e-9, "loop")).bound is Bound.EXACT
