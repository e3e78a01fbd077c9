"""The sign of a burst: what is upright, what is inverted, and what is neither."""

from __future__ import annotations

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure.polarity import burst_polarity

RATE = 40e3


def burst(delay_s: float = 0.0105, frequency_hz: float = 1000.0) -> np.ndarray:
    t = np.arange(2000) / RATE - delay_s
    return np.where((t >= 0) & (t < 1 / frequency_hz), np.sin(2 * np.pi * frequency_hz * t), 0.0)


@pytest.mark.parametrize("delay_s", [0.0, 0.0105, 0.03137])
def test_a_cycle_that_begins_upwards_is_upright_at_any_delay(delay_s: float) -> None:
    assert burst_polarity(burst(delay_s), RATE, 1000.0).nominal_value > 0.97


def test_its_mirror_image_is_inverted() -> None:
    assert burst_polarity(-burst(), RATE, 1000.0).nominal_value < -0.97


@pytest.mark.parametrize("corner_hz", [50.0, 300.0])
def test_a_channel_without_bass_keeps_its_polarity(corner_hz: float) -> None:
    """A first-order high-pass turns a cycle, by far less than half a turn."""
    from scipy.signal import lfilter

    k = 1.0 / (1.0 + 2 * np.pi * corner_hz / RATE)
    heard = lfilter([k, -k], [1.0, -k], burst())
    assert burst_polarity(heard, RATE, 1000.0).nominal_value > 0.8


def test_dc_at_the_output_turns_nothing_over() -> None:
    assert burst_polarity(burst() - 5.0, RATE, 1000.0).nominal_value > 0.97


def test_noise_alone_has_no_polarity() -> None:
    noise = np.random.default_rng(3).standard_normal(2000)
    with pytest.raises(NotMeasured, match="nothing that looks like"):
        burst_polarity(noise, RATE, 1000.0)


@pytest.mark.parametrize(("cycles", "enough"), [(1.95, False), (2.0, True), (2.5, True)])
def test_two_cycles_of_record_hold_one_whole_burst(cycles: float, enough: bool) -> None:
    record = burst(0.0002)[: round(cycles * RATE / 1000.0)]
    if enough:
        assert burst_polarity(record, RATE, 1000.0).nominal_value > 0.9
    else:
        with pytest.raises(NotMeasured, match="40 samples to a cycle"):
            burst_polarity(record, RATE, 1000.0)


@pytest.mark.parametrize(("rate", "enough"), [(9e3, False), (10e3, True)])
def test_ten_samples_to_a_cycle_are_enough(rate: float, enough: bool) -> None:
    t = np.arange(500) / rate - 0.01
    wave = np.where((t >= 0) & (t < 1e-3), np.sin(2 * np.pi * 1e3 * t), 0.0)
    if enough:
        assert burst_polarity(wave, rate, 1000.0).nominal_value > 0.9
    else:
        with pytest.raises(NotMeasured, match="9 samples to a cycle"):
            burst_polarity(wave, rate, 1000.0)
