"""The scope's gain goes into a level once and whole, so that it cancels where it is shared."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from uncertainties import UFloat

from seqrun.measure import distortion, headroom, levels, lines, noise, power, sinefit
from seqrun.values import exactly, normal

RATE, POINTS = 10e3, 10_000
RNG = np.random.default_rng(1)
NOISE = 1e-3 * RNG.normal(size=POINTS)
TIME = np.arange(POINTS) / RATE
TONE = 2.0 * np.sin(2.0 * np.pi * 1000.0 * TIME) + 0.02 * np.sin(2.0 * np.pi * 2000.0 * TIME)
HUM = 0.1 * np.sin(2.0 * np.pi * 50.0 * TIME) + 0.1 * np.sin(2.0 * np.pi * 100.0 * TIME)
BURST = np.concatenate([np.zeros(2000), TONE[:2000], np.zeros(2000)])
FLOOR = normal(2e-4, 1e-6, "floor")

#: what is read with a gain, and by what power of it the reading goes
READ: dict[str, tuple[int, Callable[[UFloat | None], UFloat]]] = {
    "ripple": (1, lambda g: levels.ripple(HUM + NOISE, RATE, gain=g).rms_v.value),
    "its span": (1, lambda g: levels.ripple(HUM + NOISE, RATE, gain=g).peak_to_peak_v),
    "noise": (1, lambda g: noise.noise_level(NOISE, RATE, band_hz=(22.0, 4e3), gain=g).rms.value),
    "hum": (1, lambda g: lines.hum(HUM + NOISE, RATE, gain=g).total.value),
    "a line of it": (1, lambda g: lines.hum(HUM + NOISE, RATE, gain=g).lines[0].rms.value),
    "a whine": (1, lambda g: lines.find_lines(TONE + NOISE, RATE, gain=g)[0].rms.value),
    "a tone": (1, lambda g: lines.tone_in_noise(TONE + NOISE, RATE, 1000.0, gain=g).value),
    "a sine": (1, lambda g: sinefit.fit_sine_4(TONE + NOISE, RATE, 1000.0, gain=g).amplitude),
    "its offset": (1, lambda g: sinefit.fit_sine_4(5.0 + TONE, RATE, 1000.0, gain=g).offset),
    "a level": (1, lambda g: power.true_rms(TONE + NOISE, RATE, 1000.0, gain=g)),
    "power of a burst": (
        2,
        lambda g: headroom.burst_power(BURST, RATE, 1000.0, load=exactly(8.0), gain=g),
    ),
    "the fundamental": (1, lambda g: distorted(g).fundamental_rms),
    "all of it": (1, lambda g: distorted(g).total_rms),
    "a harmonic": (1, lambda g: distorted(g).harmonics[0].rms.value),
    "its noise": (1, lambda g: distorted(g).noise_rms.value),
    "the fitted fundamental": (
        1,
        lambda g: (
            distortion.distortion_by_fit(
                TONE + NOISE, RATE, 1000.0, harmonics=4, gain=g
            ).fundamental_rms
        ),
    ),
}


def distorted(gain: UFloat | None) -> distortion.Distortion:
    return distortion.distortion(
        TONE + NOISE, RATE, 1000.0, harmonics=4, band_hz=(22.0, 4e3), gain=gain, floor_noise=1e-6
    )


@pytest.mark.parametrize("what", READ)
def test_a_reading_goes_with_the_gain_that_it_was_made_with(what: str) -> None:
    """Over the gain itself nothing of it is left; by itself it has the gain's share."""
    times, read = READ[what]
    gain = normal(1.0, 0.02, "gain")
    plain, with_gain = read(None), read(gain)
    assert with_gain.nominal_value == pytest.approx(plain.nominal_value)
    over = with_gain / gain**times
    assert over.std_dev == pytest.approx(plain.std_dev, rel=1e-6, abs=1e-12)
    share = times * 0.02 * plain.nominal_value
    assert with_gain.std_dev == pytest.approx(math.hypot(plain.std_dev, share), rel=1e-6)


@pytest.mark.parametrize("what", ["thd", "thd_n"])
def test_ratios_of_one_record_have_none_of_it(what: str) -> None:
    gain = normal(1.0, 0.02, "gain")
    for read in (distorted,):
        plain, with_gain = getattr(read(None), what).value, getattr(read(gain), what).value
        assert (with_gain.nominal_value, with_gain.std_dev) == pytest.approx(
            (plain.nominal_value, plain.std_dev)
        )
    fitted = [
        distortion.distortion_by_fit(TONE + NOISE, RATE, 1000.0, harmonics=4, gain=g).thd.value
        for g in (None, gain)
    ]
    assert fitted[0].std_dev == pytest.approx(fitted[1].std_dev)


def test_an_offset_is_added_to_what_a_sine_stands_on() -> None:
    offset = normal(0.0, 0.05, "offset")
    found = sinefit.fit_sine_4(3.0 + TONE, RATE, 1000.0, offset=offset)
    assert found.offset.nominal_value == pytest.approx(3.0, abs=1e-3)
    assert (found.offset - offset).std_dev < 1e-3
    assert found.offset.std_dev == pytest.approx(0.05, rel=0.01)


def test_the_floor_of_the_instrument_is_taken_out_of_ripple_hum_and_noise() -> None:
    for with_floor, without in (
        (lines.hum(HUM, RATE, floor=0.05).total, lines.hum(HUM, RATE).total),
        (levels.ripple(HUM, RATE, floor_v=0.05).rms_v, levels.ripple(HUM, RATE).rms_v),
        (
            noise.noise_level(HUM, RATE, band_hz=(22.0, 4e3), floor=0.05).rms,
            noise.noise_level(HUM, RATE, band_hz=(22.0, 4e3)).rms,
        ),
    ):
        square = without.value.nominal_value**2 - 0.05**2 / 2.0
        assert with_floor.value.nominal_value == pytest.approx(math.sqrt(square), rel=1e-6)
