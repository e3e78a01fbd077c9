"""Spectrum, distortion, intermodulation, lines."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure import windows
from seqrun.measure.bounds import Bounded
from seqrun.measure.distortion import distortion, distortion_by_fit
from seqrun.measure.intermodulation import difference_distortion, modulation_distortion
from seqrun.measure.lines import Line, find_lines, hum, not_among, tone_in_noise
from seqrun.measure.spectrum import power_spectrum
from seqrun.measure.weighting import Weighting, white_share
from seqrun.values import Bound, budget_of, exactly, normal, rectangular

RATE = 200_000.0
POINTS = 40_000


def distorted(frequency: float, noise: float, seed: int = 0, scale: float = 1.0) -> np.ndarray:
    """1 V peak with 0.3 % second and 0.4 % third harmonic: 0.5 % THD."""
    turn = 2.0 * np.pi * frequency / RATE * np.arange(POINTS) + 0.3
    clean = np.cos(turn) + scale * (3e-3 * np.cos(2 * turn + 1.0) + 4e-3 * np.cos(3 * turn + 2.0))
    return clean + np.random.default_rng(seed).normal(0.0, noise, POINTS)


def test_mean_square_of_a_band_is_the_same_for_every_window() -> None:
    noise = np.random.default_rng(1).normal(0.0, 1.0, 1 << 16)
    for window in windows.WINDOWS.values():
        total = power_spectrum(noise, 1.0, window).power.sum()
        assert total == pytest.approx(1.0, rel=0.03)


def test_a_tone_on_a_bin_reads_its_rms_on_the_plotted_line() -> None:
    turn = 2.0 * np.pi * 100 / 4000 * np.arange(4000)
    for window in windows.WINDOWS.values():
        spectrum = power_spectrum(3.0 * np.sin(turn), 4000.0, window)
        assert spectrum.line_rms()[100] == pytest.approx(3.0 / math.sqrt(2.0), rel=1e-9)


@pytest.mark.parametrize("frequency", [997.0, 1000.0, 1003.7])
def test_both_paths_agree_within_their_uncertainties(frequency: float) -> None:
    wave = distorted(frequency, 2e-3, seed=11)
    by_spectrum = distortion(wave, RATE, frequency)
    by_fit = distortion_by_fit(wave, RATE, frequency)
    for found in (by_spectrum.thd.value, by_fit.thd.value):
        assert abs(found.nominal_value - 5e-3) <= 2.5 * found.std_dev
    difference = by_spectrum.thd.value.nominal_value - by_fit.thd.value.nominal_value
    assert abs(difference) <= 2.5 * math.hypot(
        by_spectrum.thd.value.std_dev, by_fit.thd.value.std_dev
    )
    levels = by_spectrum.fundamental_rms - by_fit.fundamental_rms
    assert abs(levels.nominal_value) <= 2.5 * levels.std_dev


@pytest.mark.parametrize("path", ["spectrum", "fit"])
def test_thd_near_the_noise_is_held_by_its_interval(path: str) -> None:
    """Far above it the scatter of many records is what is stated: see the tests of u by sample."""
    read = distortion if path == "spectrum" else distortion_by_fit
    held, records, truth = 0, 60, 0.05 * 5e-3
    for seed in range(records):
        found = read(distorted(1003.7, 5e-3, seed, 0.05), RATE, 1003.7).thd
        u = found.value.std_dev
        if found.bound is Bound.AT_MOST:
            held += truth <= found.value.nominal_value + 2.0 * u
        else:
            held += abs(found.value.nominal_value - truth) <= 2.0 * u
    assert held >= 0.90 * records


def test_thd_plus_noise_is_held_by_its_interval() -> None:
    noise = 5e-3
    in_band = noise**2 * (22_000.0 - 22.0) / (RATE / 2.0)
    truth = math.sqrt(in_band + (5e-3**2) / 2.0) / math.sqrt(0.5)
    held, records = 0, 100
    for seed in range(records):
        found = distortion(distorted(1003.7, noise, seed), RATE, 1003.7).thd_n.value
        held += abs(found.nominal_value - truth) <= 2.0 * found.std_dev
    assert 0.90 * records <= held < records


def test_thd_buried_in_noise_is_at_most_but_for_chance() -> None:
    turn = 2.0 * np.pi * 997.3 / RATE * np.arange(POINTS)
    rng = np.random.default_rng(0)
    waves = [np.cos(turn) + rng.normal(0.0, 0.05, POINTS) for _ in range(100)]
    bounds = [distortion(wave, RATE, 997.3).thd.bound for wave in waves]
    assert bounds.count(Bound.AT_MOST) >= 93


def test_thd_within_the_instruments_own_distortion_is_at_most_both_together() -> None:
    found = distortion(distorted(997.3, 1e-5), RATE, 997.3, floor_thd=6e-3).thd
    assert found.bound is Bound.AT_MOST
    assert found.value.nominal_value == pytest.approx(11e-3, rel=0.01)


def test_the_instruments_own_distortion_widens_a_reading_above_it() -> None:
    bare = distortion(distorted(997.3, 1e-5), RATE, 997.3).thd
    held = distortion(distorted(997.3, 1e-5), RATE, 997.3, floor_thd=1e-3).thd
    assert held.bound is Bound.EXACT
    assert held.value.std_dev > bare.value.std_dev + 3e-4


def test_a_harmonic_of_the_generator_moves_the_reading_by_no_more_than_the_floor() -> None:
    """Amplitudes of locked products add as phasors, whatever their phase."""
    turn = 2.0 * np.pi * 997.3 / RATE * np.arange(POINTS)
    for phase in np.linspace(0.0, 2.0 * np.pi, 9):
        wave = np.cos(turn) + 5e-3 * np.cos(2 * turn) + 1e-3 * np.cos(2 * turn + phase)
        found = distortion(wave, RATE, 997.3).thd.value.nominal_value
        assert abs(found - 5e-3) <= 1e-3 * (1 + 1e-6)


def test_noise_of_the_instrument_is_taken_out_of_the_noise() -> None:
    found = distortion(
        distorted(997.3, 5e-3), RATE, 997.3, floor_noise=normal(3e-3 * math.sqrt(0.22), 1e-5, "s")
    )
    noise = found.noise_rms.value
    assert abs(noise.nominal_value - 4e-3 * math.sqrt(0.22)) < 2.5 * noise.std_dev
    assert noise.std_dev < 0.03 * noise.nominal_value


def test_a_poor_window_does_not_pass_its_leakage_off_as_noise() -> None:
    wave = distorted(1002.4, 0.0)
    found = distortion(wave, RATE, 1002.4, window=windows.HANN)
    assert found.noise_rms.bound is Bound.AT_MOST


def test_weighting_lifts_a_harmonic_where_the_ear_is_keenest() -> None:
    turn = 2.0 * np.pi * 1000.0 / RATE * np.arange(POINTS)
    wave = np.cos(turn) + 1e-2 * np.cos(3 * turn)
    flat = distortion(wave, RATE, 1000.0).thd_n.value.nominal_value
    weighted = distortion(wave, RATE, 1000.0, weighting=Weighting.A).thd_n.value.nominal_value
    assert 20.0 * math.log10(weighted / flat) == pytest.approx(1.2, abs=0.05)


def test_vertical_gain_cancels_in_ratios_and_stays_in_levels() -> None:
    gain = rectangular(1.0, 0.03, "vertical gain")
    found = distortion(distorted(997.3, 1e-4), RATE, 997.3, gain=gain)
    assert found.fundamental_rms.std_dev == pytest.approx(0.03 / math.sqrt(6.0), rel=1e-3)
    assert found.thd.value.std_dev < 1e-3 * found.thd.value.nominal_value


@pytest.mark.parametrize(
    ("make", "options", "reason"),
    [
        (lambda: distorted(997.3, 1e-4), {"frequency_hz": 130_000.0}, "aliased"),
        (lambda: distorted(70_000.0, 1e-4), {"frequency_hz": 70_000.0}, "no harmonic"),
        (lambda: distorted(997.3, 1e-4)[:1000], {"frequency_hz": 997.3}, "periods in the record"),
        (lambda: distorted(997.3, 1e-4), {"frequency_hz": 5000.0}, "no tone stands out|stronger"),
        (lambda: distorted(997.3, 1e-4), {"frequency_hz": 997.3, "clipped": True}, "out of range"),
        (lambda: distorted(997.3, 1e-4), {"band_hz": (2000.0, 22e3)}, "within the band"),
        (lambda: np.random.default_rng(0).normal(size=POINTS), {}, "no tone"),
    ],
)
def test_distortion_of_what_is_no_clean_tone_is_not_measured(make, options, reason) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(NotMeasured, match=reason):
        distortion(make(), RATE, **options)


def test_a_record_holds_room_for_the_lobe_of_a_tone_beside_that_of_dc_and_two_lines_more() -> None:
    window = windows.FLAT_TOP
    least = 2 * window.half_lobe_bins + 2
    for periods, enough in ((least, True), (least - 1, False)):
        turn = 2.0 * np.pi * periods / 8192 * np.arange(8192)
        wave = np.cos(turn) + 1e-2 * np.cos(2.0 * turn)
        if enough:
            found = distortion(
                wave, 8192.0, float(periods), window=window, band_hz=(4.0, 4e3)
            ).thd.value
            assert found.nominal_value == pytest.approx(0.01, rel=0.01)
        else:
            with pytest.raises(NotMeasured, match=f"{periods} periods in the record"):
                distortion(wave, 8192.0, float(periods), window=window, band_hz=(4.0, 4e3))


def test_coherent_setting_puts_whole_periods_into_the_record() -> None:
    setting = windows.coherent_setting(1000.0, 1e6, 100_000)
    assert setting.frequency_hz * 100_000 / 1e6 == pytest.approx(setting.cycles)
    assert math.gcd(setting.cycles, 100_000) == 1
    assert setting.frequency_hz == pytest.approx(1000.0, rel=0.02)


def test_coherent_setting_keeps_to_the_generators_steps() -> None:
    setting = windows.coherent_setting(1000.0, 1e6, 100_000, resolution_hz=20.0)
    assert setting.frequency_hz % 20.0 == pytest.approx(0.0, abs=1e-6)


def test_clocks_that_differ_rule_coherent_sampling_out() -> None:
    assert windows.choose(100.0, 0.0, 90.0) is windows.RECTANGULAR
    assert windows.choose(100.0, 50e-6, 90.0) is windows.BLACKMAN_HARRIS
    assert windows.choose(100.37, 0.0, 120.0) is windows.BLACKMAN_HARRIS_7


def test_a_bent_characteristic_has_the_modulation_distortion_of_its_series() -> None:
    """x + a·x² with tones 4:1: side lines f2 ± f1 of 2·a·A1/2·… = a·A1 each, 2·a·A1 together."""
    time = np.arange(200_000) / RATE
    x = 0.8 * np.sin(2 * np.pi * 60.0 * time) + 0.2 * np.sin(2 * np.pi * 7000.0 * time)
    found = modulation_distortion(x + 0.01 * x**2, RATE)
    assert found.second.value.nominal_value == pytest.approx(2 * 0.01 * 0.8, rel=1e-3)
    assert found.total.value.nominal_value == pytest.approx(math.sqrt(2) * 0.01 * 0.8, rel=1e-3)


def test_a_bent_characteristic_has_the_difference_distortion_of_its_series() -> None:
    """x + a·x² + b·x³ with equal tones A: a·A/2 at f2−f1, and 3/4·b·A² at 2f1−f2 and 2f2−f1."""
    time = np.arange(200_000) / RATE
    x = 0.5 * (np.sin(2 * np.pi * 19_000.0 * time) + np.sin(2 * np.pi * 20_000.0 * time))
    found = difference_distortion(x + 0.01 * x**2 + 0.004 * x**3, RATE)
    assert found.second.value.nominal_value == pytest.approx(0.01 * 0.5 / 2, rel=0.005)
    assert found.third.value.nominal_value == pytest.approx(0.75 * 0.004 * 0.25, rel=0.01)


def test_intermodulation_with_a_tone_missing_is_not_measured() -> None:
    time = np.arange(200_000) / RATE
    noise = np.random.default_rng(0).normal(0.0, 1e-4, time.size)
    with pytest.raises(NotMeasured, match="near 60 Hz"):
        modulation_distortion(np.sin(2 * np.pi * 7000.0 * time) + noise, RATE)


@pytest.mark.parametrize(("mains", "actual"), [(50.0, 49.91), (60.0, 60.04)])
def test_hum_is_found_where_the_mains_really_is(mains: float, actual: float) -> None:
    time = np.arange(200_000) / RATE
    wave = 1e-3 * np.sin(2 * np.pi * 2 * actual * time) + 0.5e-3 * np.sin(2 * np.pi * actual * time)
    wave += np.random.default_rng(1).normal(0.0, 5e-4, time.size)
    found = hum(wave, RATE, mains_hz=mains)
    assert found.mains_hz == pytest.approx(actual, abs=0.02)
    total = math.hypot(1e-3, 0.5e-3) / 2**0.5
    assert found.total.value.nominal_value == pytest.approx(total, rel=0.02)
    assert found.rectified_share == pytest.approx(0.8, abs=0.02)


def test_hum_of_a_silent_output_is_at_most() -> None:
    wave = np.random.default_rng(1).normal(0.0, 5e-4, 100_000)
    assert hum(wave, RATE).total.bound is Bound.AT_MOST


def test_a_whine_is_found_in_noise_and_nothing_in_noise_alone() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(100_000) / RATE
    noise = [rng.normal(0.0, 1e-3, time.size) for _ in range(20)]
    assert sum(len(find_lines(n, RATE)) for n in noise) <= 2
    found = find_lines(noise[0] + 2e-4 * np.sin(2 * np.pi * 33_333.3 * time), RATE)
    assert [round(line.frequency_hz) for line in found] == [33_333]
    assert found[0].rms.value.nominal_value == pytest.approx(2e-4 / 2**0.5, rel=0.15)


def test_a_tone_of_known_frequency_is_read_out_of_noise_ten_times_as_strong() -> None:
    time = np.arange(50_000) / RATE
    noise = np.random.default_rng(3).normal(0.0, 1e-3, time.size)
    tone = 1e-4 * math.sqrt(2.0) * np.sin(2 * np.pi * 1000.0 * time)
    found = tone_in_noise(noise + tone, RATE, 1000.0)
    assert found.bound is Bound.EXACT
    assert abs(found.value.nominal_value - 1e-4) < 2.0 * found.value.std_dev
    hidden = tone_in_noise(noise, RATE, 1000.0)
    assert hidden.bound is Bound.AT_MOST
    assert hidden.value.nominal_value < 3e-5


def test_a_line_that_the_bench_shows_as_well_is_not_the_units() -> None:
    mine, benches = (Line(f, Bounded(exactly(1e-3))) for f in (33e3, 40e3))
    faint = Line(33e3, Bounded(exactly(1e-4)))
    assert not_among((mine, benches), (Line(40_010.0, benches.rms), faint), 50.0) == (mine,)


def test_all_there_is_in_the_band_is_the_sum_of_squares_of_its_parts() -> None:
    """1 V and 0.3 V of peak at 1 kHz and 3 kHz, and noise of 22 kHz out of 100 kHz."""
    turn = 2.0 * np.pi * 1000.0 / RATE * np.arange(POINTS)
    noise = np.random.default_rng(3).normal(0.0, 0.2, POINTS)
    found = distortion(np.cos(turn) + 0.3 * np.cos(3 * turn) + noise, RATE, 1000.0)
    in_band = 0.04 * 0.22
    square = 0.5 + 0.045 + in_band
    assert found.total_rms.nominal_value == pytest.approx(math.sqrt(square), rel=2e-3)
    assert found.noise_rms.value.nominal_value == pytest.approx(math.sqrt(in_band), rel=0.03)
    thd_n = math.sqrt((0.045 + in_band) / 0.5)
    assert found.thd_n.value.nominal_value == pytest.approx(thd_n, rel=5e-3)
    assert found.sinad_db.nominal_value == pytest.approx(-20.0 * math.log10(thd_n), abs=0.05)


@pytest.mark.parametrize("weighting", [Weighting.A, Weighting.CCIR_468])
def test_noise_beside_a_tone_is_weighted_at_its_own_frequencies(weighting: Weighting) -> None:
    """White from 22 Hz to 22 kHz: what the weighting makes of such noise, by its own curve."""
    turn = 2.0 * np.pi * 1000.0 / RATE * np.arange(POINTS)
    wave = np.cos(turn) + np.random.default_rng(4).normal(0.0, 0.05, POINTS)
    flat = distortion(wave, RATE, 1000.0).noise_rms.value.nominal_value
    weighted = distortion(wave, RATE, 1000.0, weighting=weighting).noise_rms.value.nominal_value
    assert weighted / flat == pytest.approx(math.sqrt(white_share(weighting)), rel=0.02)


def test_thd_by_fit_knows_its_noise_by_what_the_fit_leaves() -> None:
    """u of the mean square of two lines: √(2·S·b + 8·b²), b = 2σ²/N of each."""
    sigma, points = 0.02, 4000
    turn = 2.0 * np.pi * 0.0502 * np.arange(points)
    wave = np.cos(turn) + 0.02 * np.cos(2 * turn) + 0.01 * np.cos(3 * turn)
    wave = wave + np.random.default_rng(5).normal(0.0, sigma, points)
    found = distortion_by_fit(wave, 1.0, 0.0502)
    b, square = 2.0 * sigma**2 / points, (0.02**2 + 0.01**2) / 2.0
    orders = 9 - 1  # the tenth lies above half the sample rate
    u_square = math.sqrt(2.0 * square * b + orders * b * b)
    (line,) = [
        c for c in budget_of(found.thd.value) if c.source.name == "noise under the harmonics"
    ]
    expected = u_square / (2.0 * math.sqrt(square)) / math.sqrt(0.5)
    assert line.standard_uncertainty == pytest.approx(expected, rel=0.08)
    u_rest = math.sqrt(2.0 * sigma**4 / points + 2.0 * square * b)
    rest = math.sqrt(square + sigma**2)
    assert found.thd_n.nominal_value == pytest.approx(rest / math.sqrt(0.5), rel=0.02)
    assert found.thd_n.std_dev == pytest.approx(u_rest / (2.0 * rest * math.sqrt(0.5)), rel=0.08)
