"""Noise, bursts and lines by value, and where each rule turns."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure import (
    distortion,
    lines,
    listening,
    noise,
)
from seqrun.measure.bounds import Bounded
from seqrun.values import exactly, normal

RATE = 10e3


def sine(hertz: float, points: int, rate_hz: float = RATE, peak: float = 1.0) -> np.ndarray:
    return peak * np.sin(2.0 * np.pi * hertz * np.arange(points) / rate_hz)


def white(sd: float, points: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, points)


@pytest.mark.parametrize(("rate_hz", "enough"), [(44_000.0, True), (43_900.0, False)])
def test_noise_up_to_22_khz_wants_twice_as_many_samples(rate_hz: float, enough: bool) -> None:
    wave = white(1.0, 4000)
    if enough:
        noise.noise_level(wave, rate_hz)
        return
    with pytest.raises(NotMeasured, match="at least 44000 Hz"):
        noise.noise_level(wave, rate_hz)


@pytest.mark.parametrize(("points", "enough"), [(2000, True), (1999, False)])
def test_noise_from_22_hz_wants_a_record_of_its_period(points: int, enough: bool) -> None:
    if enough:
        noise.noise_level(white(1.0, points), 44_000.0)
        return
    with pytest.raises(NotMeasured, match="for noise from 22 Hz"):
        noise.noise_level(white(1.0, points), 44_000.0)


def test_a_burst_is_at_least_twice_and_at_the_most_ten_times_as_loud_as_what_is_quiet() -> None:
    steady = noise.find_bursts(white(1.0, 400_000, 2), 100e3)
    middle = math.sqrt(math.exp(float(np.median(np.log(frames_of(white(1.0, 400_000, 2)))))))
    assert steady.threshold_rms_v == pytest.approx(2.0 * middle, rel=1e-6)
    sizes = 10.0 ** np.random.default_rng(1).uniform(-2.0, 2.0, 800)
    uneven = white(1.0, 400_000, 2) * np.repeat(sizes, 500)
    wild = noise.find_bursts(uneven, 100e3)
    middle = math.sqrt(math.exp(float(np.median(np.log(frames_of(uneven))))))
    assert wild.threshold_rms_v == pytest.approx(10.0 * middle, rel=1e-6)


def frames_of(volts: np.ndarray, each: int = 500) -> np.ndarray:
    frames = volts.reshape(-1, each)
    return np.asarray(frames.var(axis=1))


def test_the_threshold_of_bursts_is_where_steady_noise_seldom_goes() -> None:
    """Few samples to a frame: the spread of the frames decides, and not twice the quiet level."""
    volts = white(1.0, 1200, 5)
    found = noise.find_bursts(volts, 1000.0, frame_s=0.012)
    level = np.log(frames_of(volts, 12))
    middle, lower = (float(np.quantile(level, q)) for q in (0.5, 0.25))
    from scipy.stats import norm

    above = float(norm.isf(0.01 / 100)) * (middle - lower) / 0.6745 * 1.15
    limit = math.sqrt(math.exp(middle + above))
    assert 2.0 < limit / math.sqrt(math.exp(middle)) < 10.0, "neither end decides"
    assert found.threshold_rms_v == pytest.approx(limit, rel=1e-6)
    assert (found.frame_s, found.span_s) == (pytest.approx(0.012), pytest.approx(1.2))


def test_the_quiet_time_of_a_record_is_what_its_bursts_leave() -> None:
    volts = white(1e-3, 50_000)
    volts[10_000:12_000] += sine(900.0, 2000)
    found = noise.find_bursts(volts, RATE)
    assert found.lengths_s == (pytest.approx(0.2),)
    assert found.quiet_s == pytest.approx(5.0 - 0.2)
    assert found.peaks_v[0] == pytest.approx(1.0, rel=0.06)  # about its own frame's mean
    assert found.quiet_rms_v == pytest.approx(1e-3, rel=0.02)


@pytest.mark.parametrize(("loud", "alone"), [(1.44, False), (1.46, True)])
def test_a_record_stands_out_at_four_and_a_half_standard_deviations(
    loud: float, alone: bool
) -> None:
    """Four at 0.9, 1, 1, 1.1 and so on: median 1, median departure 0.1/1.4826·…"""
    step = 0.1 / 1.4826  # the median of the departures from the middle
    values = [1.0, 1.0 - step, 1.0 + step, 1.0 - 2.0 * step, loud]
    records = [Bounded(normal(v, 1e-3, f"{v}")) for v in values]
    assert noise.level_of_records(records)[1] is alone
    assert not noise.level_of_records(records[1:])[1], "of four none stands alone"


def test_a_line_has_to_be_as_strong_as_noise_seldom_is_in_so_many_bins() -> None:
    assert lines.threshold(1000.0) == pytest.approx(math.log(1e5) * 1.15)
    assert lines.threshold(1000.0, 0.1) == pytest.approx(math.log(1e4) * 1.15)


@pytest.mark.parametrize(("level", "own"), [(0.29, False), (0.31, True)])
@pytest.mark.parametrize(("apart", "near"), [(4.9, True), (5.1, False)])
def test_a_line_of_the_bench_explains_one_three_times_as_strong_at_its_place(
    level: float, own: bool, apart: float, near: bool
) -> None:
    line = lines.Line(1000.0, Bounded(exactly(1.0)))
    for sign in (-1.0, 1.0):
        bench = lines.Line(1000.0 + sign * apart, Bounded(exactly(level)))
        assert lines.not_among([line], [bench], 5.0) == (() if own and near else (line,))


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize(("off", "found"), [(0.9, True), (1.6, False)])
def test_the_mains_are_looked_for_within_one_percent(mains: float, off: float, found: bool) -> None:
    hertz = mains * (1.0 + off / 100.0)
    wave = sine(hertz, 40_000) + sine(2.0 * hertz, 40_000, peak=2.0) + white(1e-3, 40_000)
    hum = lines.hum(wave, RATE, mains_hz=mains)
    assert (abs(hum.mains_hz - hertz) < 0.01) is found
    if found:
        assert hum.total.value.nominal_value == pytest.approx(math.sqrt(2.5), rel=1e-3)
        assert hum.rectified_share == pytest.approx(0.8, rel=1e-3)
        assert hum.mains_v == pytest.approx(math.sqrt(0.5), rel=1e-3)
        assert len(hum.lines) == 10


@pytest.mark.parametrize(("rate_hz", "multiples"), [(1021.0, 10), (1019.0, 9), (520.0, 5)])
def test_multiples_of_the_mains_are_counted_as_far_as_the_record_goes(
    rate_hz: float, multiples: int
) -> None:
    """Two percent below half the sample rate, for the mains may be higher by one."""
    assert len(lines.hum(white(1.0, 4000), rate_hz).lines) == multiples


def test_the_strongest_lines_are_told_and_no_more_than_wanted() -> None:
    wave = white(1e-4, 20_000)
    for k, hertz in enumerate((1500.0, 2000.0, 2500.0, 3000.0)):
        wave = wave + sine(hertz, 20_000, peak=0.1 * (k + 1))
    found = lines.find_lines(wave, RATE, most=3)
    assert [round(one.frequency_hz) for one in found] == [3000, 2500, 2000]
    assert found[0].rms.value.nominal_value == pytest.approx(0.4 / math.sqrt(2.0), rel=1e-3)
    assert len(lines.find_lines(wave, RATE, high_hz=2700.0)) == 3


def test_steady_noise_sets_off_no_more_than_one_soak_in_a_hundred() -> None:
    """Of a thousand records each."""
    assert 1000 * listening.FALSE_ALARMS <= 0.01 * (1.0 + 1e-9)


@pytest.mark.parametrize(("bins", "taken"), [(2.0, False), (6.0, True)])
def test_a_line_beside_a_harmonic_is_the_harmonic_s_own_and_not_fitted_along(
    bins: float, taken: bool
) -> None:
    """Within a lobe of it the two cannot be told apart."""
    hertz = 2000.0 + bins * 1.0
    wave = sine(1000.0, 10_000) + sine(hertz, 10_000, peak=0.01) + white(1e-5, 10_000)
    found = distortion._steady_lines(wave, RATE, 1000.0)
    assert found == ([pytest.approx(hertz, abs=0.02)] if taken else [])


def test_a_step_downwards_crackles_as_loudly_as_one_upwards() -> None:
    for sign in (1.0, -1.0):
        wave = sine(1000.0, 10_000, peak=9.0) + white(0.001, 10_000)
        wave[5023:] += sign
        heard = listening.listen_driven(wave, RATE, 1000.0)
        assert (heard.drop_outs, heard.crackles) == (0, 1)
        assert heard.peak_v == pytest.approx(1.0, abs=0.02)
