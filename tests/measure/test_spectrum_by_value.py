"""The core of every spectrum and tone fit by value: bins, lobes, the noise about them, sums."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure import tones
from seqrun.measure.spectrum import (
    BLOCK,
    find_tone,
    noise_about,
    noise_scatter,
    power_spectrum,
    tone_at,
)
from seqrun.measure.windows import (
    BLACKMAN,
    BLACKMAN_HARRIS,
    HANN,
    choose,
    coherent_setting,
    samples,
)

RATE, POINTS = 10e3, 4000  # bins of 2.5 Hz
TIME = np.arange(POINTS) / RATE


def tone(hertz: float, peak: float = 1.0, points: int = POINTS) -> np.ndarray:
    return peak * np.cos(2.0 * np.pi * hertz * np.arange(points) / RATE + 0.4)


def noise(sd: float, seed: int = 1, points: int = POINTS) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, points)


# --- noise told from lines ---------------------------------------------------------------------


def exponential(size: int, mean: float = 1.0, seed: int = 2) -> np.ndarray:
    """Bins of white noise: their power is exponentially distributed."""
    return np.random.default_rng(seed).exponential(mean, size)


@pytest.mark.parametrize("mean", [1.0, 1e-6])
def test_the_noise_about_a_bin_is_the_mean_of_its_block(mean: float) -> None:
    """Median over ln 2; the last block reaches back so that it is a whole one."""
    power = exponential(20 * BLOCK + 30, mean)
    typical, lines = noise_about(power, 2)
    assert not lines.any()
    assert typical.shape == power.shape
    for block in range(20):
        inside = slice(block * BLOCK, (block + 1) * BLOCK)
        level = float(np.median(power[inside])) / math.log(2.0)
        assert typical[inside] == pytest.approx(np.full(BLOCK, level))
    assert typical[-1] == pytest.approx(float(np.median(power[-BLOCK:])) / math.log(2.0))
    assert float(typical.mean()) == pytest.approx(mean, rel=0.1)


@pytest.mark.parametrize(("times", "line"), [(19.0, False), (21.0, True)])
def test_a_line_stands_twenty_times_above_the_noise_about_it_with_its_lobe(
    times: float, line: bool
) -> None:
    power = np.full(5 * BLOCK, 1.0)
    typical, _ = noise_about(power, 2)
    power[300] = times * float(typical[300])
    found = noise_about(power, 2)[1]
    assert np.flatnonzero(found).tolist() == ([299, 300, 301] if line else [])
    assert np.flatnonzero(noise_about(power, 3)[1]).size == (5 if line else 0)


def test_lines_that_fill_most_of_a_block_are_told_by_its_quietest_tenth() -> None:
    """Four of five bins are lines: their median would be taken for the noise."""
    power = np.ones(3 * BLOCK)
    power[np.arange(power.size) % 10 >= 2] = 1e6
    found = noise_about(power, 1)[1]
    assert np.array_equal(found, power > 1.0)
    level = noise_about(power, 1)[0]
    assert level == pytest.approx(np.full(power.size, 1.0 / math.log(2.0)))


def test_of_few_bins_the_noise_is_theirs() -> None:
    power = exponential(40)
    typical, _ = noise_about(power, 2)
    assert typical == pytest.approx(np.full(40, np.sort(power)[19] / math.log(2.0)))


def test_noise_scatters_by_its_squares_and_a_line_by_what_it_beats_with() -> None:
    power, typical = np.array([1.0, 2.0, 100.0]), np.array([1.5, 1.5, 1.5])
    lines = np.array([False, False, True])
    u = math.sqrt((1.0 + 4.0) / 2.0 + 2.0 * 100.0 * 1.5)
    assert noise_scatter(power, typical, lines, 1.0) == pytest.approx(u)
    assert noise_scatter(power, typical, lines, 4.0) == pytest.approx(2.0 * u)
    assert noise_scatter(power[:2], typical[:2], lines[:2], 1.0) == pytest.approx(math.sqrt(2.5))


# --- a tone in a spectrum ----------------------------------------------------------------------


@pytest.mark.parametrize("window", [HANN, BLACKMAN_HARRIS])
@pytest.mark.parametrize("hertz", [1000.0, 1001.1])
def test_a_tone_has_half_its_peak_s_square_and_the_noise_of_a_bin_about_it(window, hertz) -> None:  # type: ignore[no-untyped-def]
    """White noise of s holds 2 s²/points in a bin, one-sided."""
    wave = tone(hertz, 3.0) + noise(1e-3)
    found = tone_at(power_spectrum(wave, RATE, window), hertz)
    assert found.square == pytest.approx(4.5, rel=2e-3)
    if window is BLACKMAN_HARRIS:  # the other's skirts are above this noise
        assert found.density == pytest.approx(2.0 * 1e-6 / POINTS, rel=0.3)
    half = window.half_lobe_bins
    centre = hertz / 2.5
    assert (found.bins.start, found.bins.stop) == (
        math.ceil(centre - half),
        math.floor(centre + half) + 1,
    )


def test_where_there_is_no_tone_its_square_scatters_about_nothing_by_what_it_states() -> None:
    found = [tone_at(power_spectrum(noise(1.0, seed), RATE, HANN), 1000.0) for seed in range(400)]
    squares = np.array([one.square for one in found])
    stated = float(np.sqrt(np.mean([one.u_square**2 for one in found])))
    assert abs(float(squares.mean())) < 0.2 * stated
    # What chance leaves above nothing is taken for a tone, which beats: a little too wide.
    assert 0.75 < float(squares.std()) / stated < 1.0


def test_a_tone_far_above_the_noise_beats_with_it() -> None:
    """2·square·density·spread: the noise under a Hann tone has 1.5 times a bin's."""
    spectrum = power_spectrum(tone(1000.0, 2.0) + noise(0.01), RATE, HANN)
    found = tone_at(spectrum, 1000.0)
    plain = math.sqrt(2.0 * found.square * found.density * spectrum.spread)
    assert found.u_square == pytest.approx(plain, rel=0.01)
    several = [
        tone_at(power_spectrum(tone(1000.0, 2.0) + noise(0.01, s), RATE, HANN), 1000.0).square
        for s in range(300)
    ]
    assert float(np.std(several)) == pytest.approx(found.u_square, rel=0.2)


@pytest.mark.parametrize(
    ("hertz", "inside"), [(5.0, False), (5.1, True), (4997.4, True), (4997.6, False)]
)
def test_a_tone_whose_lobe_the_end_of_the_spectrum_cuts_is_none(hertz: float, inside: bool) -> None:
    """Two bins of 2.5 Hz on either side."""
    spectrum = power_spectrum(tone(1000.0), RATE, HANN)
    if inside:
        tone_at(spectrum, hertz)
        return
    with pytest.raises(NotMeasured, match="Hz per bin"):
        tone_at(spectrum, hertz)


def test_the_noise_is_judged_as_far_as_the_guard_reaches() -> None:
    """Beyond it lies another tone; without one, sixteen lobes are looked at."""
    power = power_spectrum(tone(1000.0) + noise(1e-3), RATE, HANN)
    loud = power.power.copy()
    loud[420:] += 1.0  # from 50 Hz above, and below
    loud[:381] += 1.0
    changed = type(power)(loud, power.bin_hz, power.points, power.window)
    assert tone_at(changed, 1000.0, 45.0).density < 1e-6
    assert tone_at(changed, 1000.0, 200.0).density > 1e-2


@pytest.mark.parametrize(("off", "found"), [(19.0, True), (30.0, False)])
def test_the_strongest_tone_near_a_frequency_is_within_two_percent(off: float, found: bool) -> None:
    """A stronger one further off is not looked at."""
    wave = tone(1000.0 + off) + 0.1 * tone(400.0) + noise(1e-3)
    spectrum = power_spectrum(wave, RATE, HANN)
    assert find_tone(spectrum).frequency_hz == pytest.approx(1000.0 + off, abs=0.1)
    assert find_tone(spectrum, 400.0).frequency_hz == pytest.approx(400.0, abs=0.1)
    if found:
        assert find_tone(spectrum, 1000.0).frequency_hz == pytest.approx(1000.0 + off, abs=0.1)
        return
    with pytest.raises(NotMeasured, match="near 1000 Hz"):
        find_tone(spectrum, 1000.0)


def test_within_a_narrower_reach_the_nearer_of_two_is_found() -> None:
    wave = tone(1000.0) + 3.0 * tone(1018.0) + noise(1e-3)
    spectrum = power_spectrum(wave, RATE, HANN)
    assert find_tone(spectrum, 1000.0).frequency_hz == pytest.approx(1018.0, abs=0.1)
    assert find_tone(spectrum, 1000.0, 9.0).frequency_hz == pytest.approx(1000.0, abs=0.1)


@pytest.mark.parametrize(("near", "words"), [(6000.0, "no room"), (None, "a flat record")])
def test_there_is_no_tone_beyond_the_spectrum_nor_in_a_flat_record(
    near: float | None, words: str
) -> None:
    spectrum = power_spectrum(np.zeros(POINTS), RATE, HANN)
    with pytest.raises(NotMeasured, match=words):
        find_tone(spectrum, near)


# --- sums and fits without columns -------------------------------------------------------------


@pytest.mark.parametrize("points", [40, 1000, 8191, 9000, 80_000])
def test_sums_of_a_record_are_those_of_its_samples(points: int) -> None:
    """On the centred index, cut into rows or not, with a tail or without."""
    values = noise(1.0, 3, points) + 2.0
    rec = tones.record(values)
    m = np.arange(points) - (points - 1) / 2.0
    assert rec.centre == (points - 1) / 2.0
    for omega in (0.3, 2.9):
        turn = np.exp(-1j * omega * m)
        first, second = tones.sums(rec, omega, weighted=True)
        scale = math.sqrt(points)
        assert abs(first - complex((values * turn).sum())) < 1e-9 * scale * points
        assert abs(second - complex((m * values * turn).sum())) < 1e-9 * scale * points**2
        assert tones.sums(rec, omega)[1] == 0j


@pytest.mark.parametrize("points", [9, 10, 1000])
def test_the_kernel_of_dirichlet_is_the_sum_of_cosines_with_its_derivatives(points: int) -> None:
    m = np.arange(points) - (points - 1) / 2.0
    for theta in (0.0, 1e-14, 0.01, 1.3, 3.0):
        d, d1, d2 = tones.dirichlet(theta, points)
        assert d == pytest.approx(float(np.cos(theta * m).sum()), abs=1e-8 * points)
        assert d1 == pytest.approx(float(-(m * np.sin(theta * m)).sum()), abs=1e-7 * points**2)
        assert d2 == pytest.approx(
            float(-(m * m * np.cos(theta * m)).sum()), rel=1e-6, abs=1e-5 * points
        )


@pytest.mark.parametrize("points", [50, 8500])
def test_tones_are_fitted_as_by_any_least_squares(points: int) -> None:
    omegas = [0.3, 0.71, 1.9]
    m = np.arange(points) - (points - 1) / 2.0
    values = 1.0 + sum(np.cos(w * m + w) / (k + 1) for k, w in enumerate(omegas))
    values = values + noise(0.1, 4, points)
    columns = np.stack(
        [np.ones(points), *(f(w * m) for w in omegas for f in (np.cos, np.sin))], axis=1
    )
    theirs, rest, *_ = np.linalg.lstsq(columns, values, rcond=None)
    found = tones.fit_tones(tones.record(values), omegas)
    assert found.offset == pytest.approx(theirs[0])
    for k, phasor in enumerate(found.phasors):
        assert (phasor.real, -phasor.imag) == pytest.approx(tuple(theirs[1 + 2 * k : 3 + 2 * k]))
    assert found.residual_square == pytest.approx(float(rest[0]))
    assert found.points == points


def test_segments_of_a_record_turn_by_what_the_start_missed() -> None:
    points, omega, miss = 16_384, 0.5, 1e-5
    rec = tones.record(np.cos((omega + miss) * np.arange(points)))
    phasors, spacing = tones.segment_phasors(rec, omega, 8)
    assert (phasors.size, spacing) == (8, 2048.0)
    turns = np.angle(phasors[1:] / phasors[:-1]) / spacing
    assert turns == pytest.approx(np.full(7, miss), rel=1e-2)


# --- windows and whole periods -----------------------------------------------------------------


def test_coherent_periods_are_as_near_as_can_be_and_share_no_factor() -> None:
    """1000 points: 101 of 102.4 periods shares none with them, 102 and 103 …"""
    found = coherent_setting(1024.0, RATE, 1000)
    assert (found.cycles, found.frequency_hz) == (103, 1030.0)
    assert coherent_setting(1000.0, RATE, 1024).cycles == 103
    assert coherent_setting(1000.0, RATE, 997).cycles == 100
    for wanted in (5000.0, 5.0):
        with pytest.raises(NotMeasured, match="periods of"):
            coherent_setting(wanted, RATE, 1000)
    assert coherent_setting(10.0, RATE, 1000).cycles == 1
    with pytest.raises(NotMeasured, match="in steps of 700 Hz"):
        coherent_setting(1000.0, RATE, 1000, 700.0)
    assert coherent_setting(1000.0, RATE, 1000, 7.0).frequency_hz == 980.0


def test_a_neighbour_without_a_common_factor_is_taken_within_two_periods_or_two_percent() -> None:
    """30030 = 2·3·5·7·11·13, 2310 the same without 13: the gaps between numbers that share none."""
    for points, periods, taken in (
        (2310, 35, 37),  # two periods on: 34 to 36 share 2, 5, 3
        (2310, 26, 26),  # 23 and 29 are three away, and more than 2 %
        (30030, 405, 401),  # 1 %: 402 to 408 all share one
        (30030, 300, 300),  # 293 and 307 are 2.3 % away
    ):
        found = coherent_setting(float(periods), float(points), points)
        assert (found.cycles, found.points) == (taken, points)
        assert found.frequency_hz == pytest.approx(taken, rel=1e-12)


def test_a_generator_may_miss_by_a_tenth_of_the_frequency_or_by_one_period() -> None:
    for wanted, step, cycles in (
        (100.0, 110.0, 110),
        (100.0, 90.0, 90),
        (1.5, 2.0, 2),
        (4.0, 5.0, 5),
    ):
        assert coherent_setting(wanted, 997.0, 997, step).cycles == cycles
    for wanted, step in ((100.0, 111.0), (100.0, 89.0), (5000.0, 5501.0), (4.0, 6.0)):
        points = int(4.0 * wanted)
        with pytest.raises(NotMeasured, match="no whole number of periods"):
            coherent_setting(wanted, float(points), points, step)
    with pytest.raises(NotMeasured, match="no whole number of periods"):
        coherent_setting(498.0, 1000.0, 1000, 500.0)  # 500 periods of 1000 points are no sine
    assert coherent_setting(498.0, 1000.0, 1000, 499.0).cycles == 499


@pytest.mark.parametrize(
    ("cycles", "tolerance", "decibels", "name"),
    [
        (100.0, 0.0, 90.0, "rectangular"),
        (100.0, 0.9e-5, 60.0, "rectangular"),  # misses by 0.0009 of a period
        (100.0, 1.1e-5, 60.0, "blackman_harris"),
        (100.5, 0.0, 31.0, "hann"),
        (100.5, 0.0, 32.0, "hamming"),
        (100.5, 0.0, 50.0, "blackman"),
        (100.5, 0.0, 92.0, "blackman_harris"),
        (100.5, 0.0, 93.0, "blackman_harris_7"),
    ],
)
def test_the_narrowest_window_that_serves_is_taken(
    cycles: float, tolerance: float, decibels: float, name: str
) -> None:
    assert choose(cycles, tolerance, decibels).name == name


def test_what_a_window_leaks_is_what_its_lobe_does_not_hold() -> None:
    """Of a tone half-way between two bins, by a transform."""
    for window in (HANN, BLACKMAN):
        n, half = 4096, window.half_lobe_bins
        wave = np.exp(2j * np.pi * 100.5 * np.arange(n) / n) * samples(window, n)
        square = np.abs(np.fft.fft(wave)) ** 2
        inside = square[math.ceil(100.5 - half) : math.floor(100.5 + half) + 1].sum()
        assert window.leakage(0.5) == pytest.approx(1.0 - inside / square.sum(), rel=1e-3)
        assert window.leakage(0.0) == 0.0
        loss = -10.0 * math.log10(square.max() / (n * window.coherent_gain) ** 2)
        assert window.scalloping_loss_db == pytest.approx(loss, rel=1e-4)


def test_the_chance_of_bins_that_share_it() -> None:
    """Sums of Hann bins of white noise scatter by their spread, 35/18 of what they would alone."""
    assert HANN.spread == pytest.approx(35.0 / 18.0)
    sums = [
        float(power_spectrum(noise(1.0, s, 1000), RATE, HANN).power[50:450].sum())
        for s in range(400)
    ]
    alone = math.sqrt(400.0) * 2.0 / 1000.0
    assert float(np.std(sums)) / alone == pytest.approx(math.sqrt(35.0 / 18.0), rel=0.1)


@pytest.mark.parametrize(
    ("low", "high", "bins"),
    [
        (22.0, 100.0, (9, 41)),
        (22.5, 102.4, (9, 41)),
        (0.0, 9e9, (1, 2001)),
        (4997.5, 5e3, (1999, 2001)),
    ],
)
def test_the_bins_of_a_band_are_those_within_it_up_to_half_the_sample_rate(
    low: float, high: float, bins: tuple[int, int]
) -> None:
    """Of 2.5 Hz each; DC is none."""
    band = power_spectrum(noise(1.0), RATE, HANN).bins(low, high)
    assert (band.start, band.stop) == bins
