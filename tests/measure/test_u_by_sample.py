"""The stated uncertainty of what is read off waveforms, against the scatter of many records: too
narrow and too wide are both red (JCGM 101:2008: a sample in place of a formula)."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from uncertainties import UFloat

from seqrun.measure import headroom, levels, lines, noise, power, sinefit
from seqrun.measure.distortion import distortion, distortion_by_fit
from seqrun.measure.intermodulation import difference_distortion, modulation_distortion
from seqrun.measure.weighting import Weighting
from seqrun.values import Bound, exactly, normal, rectangular, student

Array = np.ndarray
RECORDS = 150


def scatter_over_stated(read: Callable[[Array, int], UFloat], records: int = RECORDS) -> float:
    """Standard deviation of the readings of many records over what they state on average."""
    values, stated = [], []
    for seed in range(records):
        found = read(np.random.default_rng(seed), seed)  # type: ignore[arg-type]
        values.append(float(found.nominal_value))
        stated.append(float(found.std_dev))
    return float(np.std(values, ddof=1) / np.sqrt(np.mean(np.square(stated))))


#: 150 records tell a standard deviation to 6 %
NARROW, WIDE = 1.2, 0.8
#: few repeats are widened by Student's factor on purpose: parts of the record less one
FREEDOM = {"ripple": 3.0, "true rms": 7.0}


def tone(
    rng: np.random.Generator, points: int, cycles: float, noise_v: float, h: float = 0.0
) -> Array:
    turn = 2.0 * np.pi * cycles / points * np.arange(points) + rng.uniform(0.0, 6.28)
    wave = np.cos(turn) + h * np.cos(2.0 * turn + rng.uniform(0.0, 6.28))
    return np.asarray(wave + noise_v * rng.standard_normal(points))


def white(rng: np.random.Generator, points: int, volts: float = 1.0) -> Array:
    return volts * rng.standard_normal(points)


READINGS: dict[str, Callable[[np.random.Generator], UFloat]] = {
    "noise, unweighted": lambda rng: noise.noise_level(white(rng, 5000), 1e5).rms.value,
    "noise, A": lambda rng: (
        noise.noise_level(white(rng, 20_000), 1e5, weighting=Weighting.A).rms.value
    ),
    "noise, CCIR-468": lambda rng: (
        noise.noise_level(white(rng, 20_000), 1e5, weighting=Weighting.CCIR_468).rms.value
    ),
    "noise under hum": lambda rng: noise.noise_level(tone(rng, 5000, 20.3, 0.05), 1e5).rms.value,
    "ripple": lambda rng: levels.ripple(white(rng, 8000), 1e5, mains_hz=50.0).rms_v.value,
    "true rms": lambda rng: power.true_rms(tone(rng, 8000, 80.0, 0.3), 8000.0, 80.0),
    "burst power": lambda rng: headroom.burst_power(
        tone(rng, 8000, 80.0, 0.1), 8000.0, 80.0, load=exactly(1.0)
    ),
    "hum": lambda rng: lines.hum(tone(rng, 20_000, 10.0, 0.5), 1e5, multiples=1).total.value,
    "a tone in noise": lambda rng: (
        lines.tone_in_noise(tone(rng, 20_000, 400.3, 3.0), 20_000.0, 400.3).value
    ),
    "a line": lambda rng: (
        lines.find_lines(tone(rng, 20_000, 4000.3, 3.0), 20_000.0, low_hz=1000.0)[0].rms.value
    ),
    "amplitude of a sine": lambda rng: (
        sinefit.fit_sine_4(tone(rng, 2000, 31.0, 0.1), 2000.0, 31.0).amplitude
    ),
    "frequency of a sine": lambda rng: (
        sinefit.fit_sine_4(tone(rng, 2000, 31.0, 0.1), 2000.0, 31.0).frequency_hz
    ),
    "offset of a sine": lambda rng: (
        sinefit.fit_sine_4(tone(rng, 2000, 31.0, 0.1), 2000.0, 31.0).offset
    ),
    "SINAD of a sine": lambda rng: (
        sinefit.fit_sine_4(tone(rng, 2000, 31.0, 0.1), 2000.0, 31.0).sinad
    ),
}


@pytest.mark.parametrize("what", READINGS)
def test_what_is_stated_is_what_many_records_scatter_by(what: str) -> None:
    read = READINGS[what]
    ratio = scatter_over_stated(lambda rng, _: read(rng))  # type: ignore[arg-type]
    assert WIDE < ratio * student(FREEDOM.get(what, math.inf)) < NARROW


def test_distortion_states_what_many_records_scatter_by() -> None:
    values: dict[str, list[UFloat]] = {}
    for seed in range(RECORDS):
        wave = tone(np.random.default_rng(seed), 4000, 100.3, 0.05, 0.02)
        one = distortion(wave, 4e4)
        other = distortion_by_fit(wave, 4e4)
        for name, value in {
            "THD": one.thd.value,
            "THD+N": one.thd_n.value,
            "SINAD": one.sinad_db,
            "fundamental": one.fundamental_rms,
            "all": one.total_rms,
            "noise": one.noise_rms.value,
            "second harmonic": one.harmonics[0].rms.value,
            "THD by fit": other.thd.value,
            "THD+N by fit": other.thd_n,
        }.items():
            values.setdefault(name, []).append(value)
    for name, found in values.items():
        scatter = float(np.std([v.nominal_value for v in found], ddof=1))
        stated = math.sqrt(float(np.mean([v.std_dev**2 for v in found])))
        assert WIDE < scatter / stated < NARROW, name


def two_tones(
    rng: np.random.Generator, low: float, high: float, lines_v: dict[float, float]
) -> Array:
    t = np.arange(40_000) / 1e5
    wave = 1e-4 * rng.standard_normal(t.size)
    for f, peak in {low: 0.5, high: 0.5, **lines_v}.items():
        wave = wave + peak * np.cos(2.0 * np.pi * (f * t + rng.uniform()))
    return np.asarray(wave)


def test_intermodulation_scatters_by_what_it_states() -> None:
    near = {6940.0: 1e-3, 7060.0: 1e-3}
    for part in ("second", "total"):
        ratio = scatter_over_stated(
            lambda rng, _, part=part: (
                getattr(
                    modulation_distortion(two_tones(rng, 60.0, 7000.0, near), 1e5, orders=1), part
                ).value
            ),
            50,
        )
        assert 0.7 < ratio < 1.3
    ratio = scatter_over_stated(
        lambda rng, _: (
            difference_distortion(
                two_tones(rng, 19e3, 20e3, {1000.0: 1e-3, 18e3: 1e-3, 21e3: 1e-3}), 1e5
            ).third.value
        ),
        50,
    )
    assert 0.7 < ratio < 1.3


def test_what_is_known_by_a_certificate_goes_through_whole() -> None:
    """1 % of vertical gain is 1 % of every level and nothing of a ratio."""
    rng = np.random.default_rng(1)
    gain = rectangular(1.0, 0.01 * math.sqrt(3.0), "vertical gain")
    wave = tone(rng, 20_000, 200.3, 1e-6, 0.01)
    found = distortion(wave, 1e5, gain=gain)
    assert found.fundamental_rms.std_dev == pytest.approx(0.01 * math.sqrt(0.5), rel=1e-3)
    assert found.total_rms.std_dev == pytest.approx(0.01 * math.sqrt(0.5), rel=1e-3)
    assert found.thd.value.std_dev < 1e-6
    level = noise.noise_level(white(rng, 50_000), 1e5, gain=gain).rms.value
    assert level.std_dev > 0.01 * level.nominal_value
    assert power.true_rms(wave, 1e5, 1001.5, gain=gain).std_dev == pytest.approx(7.07e-3, rel=1e-2)
    load = normal(8.0, 0.08, "load")
    watts = headroom.burst_power(wave, 1e5, 1001.5, load=load, gain=gain)
    share = watts.std_dev / watts.nominal_value
    assert share == pytest.approx(math.hypot(0.02, 0.01), rel=0.02)
    hum = lines.hum(tone(rng, 20_000, 10.0, 1e-6), 1e5, gain=gain, multiples=2)
    assert hum.total.value.std_dev == pytest.approx(0.01 * math.sqrt(0.5), rel=0.01)


def test_ripple_s_span_is_known_to_a_step_of_the_converter() -> None:
    rng = np.random.default_rng(3)
    found = levels.ripple(tone(rng, 8000, 8.0, 0.0), 1e5, lsb_v=0.03)
    assert found.peak_to_peak_v.nominal_value == pytest.approx(2.0, rel=1e-3)
    assert found.peak_to_peak_v.std_dev == pytest.approx(0.03 / math.sqrt(3.0))
    assert found.rms_v.value.nominal_value == pytest.approx(math.sqrt(0.5), rel=1e-6)


def test_a_broken_period_pulls_a_sine_by_what_is_told() -> None:
    """√2·residual/(π·cycles), rectangular."""
    turn = 2.0 * np.pi * 7.4 / 5000 * np.arange(5000)
    found = sinefit.fit_sine_4(np.cos(turn) + 0.05 * np.cos(2.0 * turn), 5000.0, 7.4)
    (pull,) = [
        variable.std_dev
        for variable in found.amplitude.derivatives
        if "broken period" in variable.tag.name
    ]
    expected = math.sqrt(2.0) * found.residual_rms / (math.pi * 7.4) / math.sqrt(3.0)
    assert pull == pytest.approx(expected, rel=0.01)


def test_a_tone_that_noise_hides_is_at_most() -> None:
    buried = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        found = lines.tone_in_noise(white(rng, 4000), 4000.0, 400.0)
        buried += found.bound is Bound.AT_MOST
        assert found.value.nominal_value < 0.25
    assert buried >= 98
