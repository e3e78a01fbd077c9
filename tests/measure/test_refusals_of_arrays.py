"""What is not there is not measured: refusals on arrays alone."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import seqrun.measure
from seqrun.errors import NotMeasured
from seqrun.measure import (
    changed,
    headroom,
    hunting,
    intermodulation,
    levels,
    lines,
    listening,
    noise,
    power,
    sinefit,
    stray,
    timing,
    transfer,
    windows,
)
from seqrun.measure.distortion import distortion, distortion_by_fit
from seqrun.measure.spectrum import find_tone, power_spectrum, tone_at
from seqrun.values import exactly, normal

RATE, POINTS = 1e5, 20_000
TIME = np.arange(POINTS) / RATE


def tone(hertz: float, peak: float = 1.0) -> np.ndarray:
    return peak * np.sin(2.0 * np.pi * hertz * TIME + 0.3)


@pytest.mark.parametrize(
    ("other", "peak", "refused"),
    [
        (7310.0, 1.5, True),  # oscillates, or aliased
        (7310.0, 0.7, False),  # a weaker one counts as residual
        (3000.0, 1.5, False),  # a harmonic, however strong, is distortion
    ],
)
def test_a_stronger_tone_that_is_no_harmonic_is_refused(
    other: float, peak: float, refused: bool
) -> None:
    wave = tone(1000.0) + tone(other, peak) + np.random.default_rng(1).normal(0.0, 1e-4, POINTS)
    if refused:
        with pytest.raises(NotMeasured, match="stronger tone at 7310 Hz"):
            distortion(wave, RATE, 1000.0)
    else:
        assert distortion(wave, RATE, 1000.0).thd_n.value.nominal_value > 0.6
        assert distortion(wave, RATE, 1000.0).fundamental_hz == pytest.approx(1000.0, abs=0.1)


@pytest.mark.parametrize("seed", range(20))
def test_noise_near_the_wanted_frequency_is_no_tone(seed: int) -> None:
    spectrum = power_spectrum(
        np.random.default_rng(seed).normal(0.0, 1.0, POINTS), RATE, windows.HANN
    )
    with pytest.raises(NotMeasured, match="no tone stands out of the noise near 1000 Hz"):
        find_tone(spectrum, 1000.0)


@pytest.mark.parametrize("seed", range(10))
def test_a_tone_of_three_hundred_bins_of_noise_is_found(seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0.0, 1.0, POINTS)
    # a bin holds a mean square of 2σ²/points
    wave = noise + tone(1002.5, math.sqrt(2.0 * 300.0 * 2.0 / POINTS))
    found = find_tone(power_spectrum(wave, RATE, windows.HANN), 1000.0)
    assert found.frequency_hz == pytest.approx(1002.5, abs=2.5)


def test_noise_about_a_tone_is_judged_within_its_guard_alone() -> None:
    """Half the way to the next tone and no further, or that tone would be taken for noise."""
    wave = tone(1000.0) + sum(tone(1000.0 + 100.0 * n, 3.0) for n in (-2, -1, 1, 2))
    spectrum = power_spectrum(wave, RATE, windows.BLACKMAN_HARRIS)
    assert tone_at(spectrum, 1000.0, 50.0).density < 1e-12
    assert tone_at(spectrum, 1000.0, 50.0).square == pytest.approx(0.5, rel=1e-6)


@pytest.mark.parametrize("silent", [0, 1, 2])
def test_a_sweep_with_one_silent_frequency_is_no_response(silent: int) -> None:
    gains = [normal(1.0, 0.01, "a"), normal(1.0, 0.01, "b"), normal(1.0, 0.01, "c")]
    gains[silent] = normal(0.015, 0.01, "nothing")
    hertz = [100.0, 1000.0, 5000.0]
    for of in (transfer.frequency_response, transfer.riaa_deviation):
        with pytest.raises(NotMeasured, match=f"the output at {hertz[silent]:g} Hz reads 0.015"):
            of(hertz, gains)


@pytest.mark.parametrize("ratio", [0.0, -1.0, math.nan])
def test_a_ratio_that_is_not_above_zero_has_no_decibels(ratio: float) -> None:
    with pytest.raises(NotMeasured, match="more than zero"):
        transfer.decibels(exactly(ratio))


def test_controls_and_channels_that_are_silent_are_named() -> None:
    loud, silent = exactly(1.0), normal(0.0, 0.01, "noise")
    for heard, words in (
        ((silent, loud, loud), "full"), ((loud, silent, loud), "middle"),
        ((loud, loud, silent), "least"),
    ):  # fmt: skip
        with pytest.raises(NotMeasured, match=f"the output at {words} setting"):
            transfer.tone_range(*heard)
    with pytest.raises(NotMeasured, match="the other channel"):
        transfer.volume_tracking([loud, loud], [loud, silent])
    with pytest.raises(NotMeasured, match="1 settings"):
        transfer.volume_tracking([loud], [loud])
    with pytest.raises(NotMeasured, match="2 settings"):
        transfer.volume_tracking([loud, loud], [loud])


def test_an_envelope_is_the_rms_of_the_tone_frame_by_frame() -> None:
    wave = tone(1000.0, 2.0) + 5.0  # DC is none of it
    wave[10_000:] *= 0.5
    found = timing.envelope(wave, RATE, 1000.0)
    assert found.rms[:99] == pytest.approx(np.full(99, math.sqrt(2.0)), rel=1e-6)
    assert found.rms[101:] == pytest.approx(np.full(99, math.sqrt(0.5)), rel=1e-6)
    assert (found.frame_s, found.times_s[0]) == (pytest.approx(1e-3), pytest.approx(0.5e-3))


def test_an_envelope_needs_ten_periods_of_eight_samples() -> None:
    assert timing.envelope(tone(12_500.0), RATE, 12_500.0).rms.size == POINTS // 8
    with pytest.raises(NotMeasured, match="periods of 7 samples"):
        timing.envelope(tone(14_286.0), RATE, 14_286.0)
    assert timing.envelope(tone(1000.0)[:1000], RATE, 1000.0).rms.size == 10
    with pytest.raises(NotMeasured, match="9 periods of 100 samples"):
        timing.envelope(tone(1000.0)[:999], RATE, 1000.0)


def test_the_edges_of_a_line_s_lobe_are_whole() -> None:
    """A line near the end of the band is not cut, and reads the same as one in the middle."""
    rng = np.random.default_rng(4)
    for hertz in (2002.5, 20_002.5):
        wave = tone(hertz, 0.1) + rng.normal(0.0, 1e-3, POINTS)
        (found,) = lines.find_lines(wave, RATE, low_hz=1000.0)
        assert found.rms.value.nominal_value == pytest.approx(0.1 / math.sqrt(2.0), rel=0.01)


@pytest.mark.parametrize("window", [windows.HANN, windows.BLACKMAN_HARRIS])
def test_the_highest_side_lobe_of_a_window_is_the_one_that_it_states(
    window: windows.Window,
) -> None:
    """Harris 1978, table 1: −32 dB and −92 dB."""
    shape = windows.samples(window, 256)
    spectrum = np.abs(np.fft.rfft(shape, 256 * 64))
    outside = spectrum[window.half_lobe_bins * 64 :]
    highest = 20.0 * math.log10(float(outside.max()) / float(spectrum[0]))
    assert window.highest_side_lobe_db == pytest.approx(highest, abs=0.5)


def test_frames_are_whole_and_a_record_shorter_than_one_has_none() -> None:
    assert hunting.frame_rms(np.ones(2500), 1e4, 0.1) == pytest.approx([0.0, 0.0])
    swing = np.tile([1.0, -1.0], 1000)
    assert hunting.frame_rms(swing, 1e4, 0.1) == pytest.approx([1.0, 1.0])
    with pytest.raises(NotMeasured, match="shorter than one frame"):
        hunting.frame_rms(np.ones(10), 1e4, 0.1)


OF_A_RECORD: dict[Callable[..., Any], dict[str, Any]] = {
    changed.sticking_s: {"frequency_hz": 1000.0},
    distortion: {"frequency_hz": 1000.0},
    distortion_by_fit: {"frequency_hz": 1000.0},
    headroom.burst_power: {"frequency_hz": 1000.0, "load": exactly(8.0)},
    intermodulation.modulation_distortion: {"f1_hz": 100.0, "f2_hz": 7000.0},
    intermodulation.difference_distortion: {"f1_hz": 9000.0, "f2_hz": 10_000.0},
    levels.ripple: {},
    lines.hum: {},
    lines.find_lines: {},
    lines.tone_in_noise: {"frequency_hz": 1000.0},
    listening.listen_driven: {"frequency_hz": 1000.0},
    listening.listen_quiet: {},
    noise.noise_level: {},
    noise.find_bursts: {},
    power.true_rms: {"frequency_hz": 1000.0},
    sinefit.fit_sine_4: {"frequency_hz": 1000.0},
    stray.stray: {"above_hz": 2e4},
    timing.envelope: {"frequency_hz": 1000.0},
    timing.silent_for: {"frequency_hz": 1000.0},
}
#: takes a record that was cut off, and says that it holds the least that there was
TELLS_THE_LEAST = {changed.output_state}


def test_no_function_of_a_record_is_forgotten_below() -> None:
    taking: set[Callable[..., Any]] = set()
    for module in pkgutil.iter_modules(seqrun.measure.__path__, "seqrun.measure."):
        for name, one in vars(importlib.import_module(module.name)).items():
            if (
                inspect.isfunction(one)
                and not name.startswith("_")
                and one.__module__ == module.name
            ):
                wants = inspect.signature(one).parameters.get("clipped")
                if wants is not None and wants.default is False:
                    taking.add(one)
    assert taking - TELLS_THE_LEAST == OF_A_RECORD.keys()


@pytest.mark.parametrize("function", OF_A_RECORD, ids=lambda f: f.__name__)
def test_a_record_that_the_converter_cut_off_or_that_is_none_is_refused(
    function: Callable[..., Any],
) -> None:
    """Its tops are gone, and with them what was above them."""
    wave = tone(1000.0) + np.random.default_rng(1).normal(0.0, 1e-3, POINTS)
    how = OF_A_RECORD[function]
    with pytest.raises(NotMeasured, match="the converter ran out of range"):
        function(wave, RATE, clipped=True, **how)
    holed = wave.copy()
    holed[POINTS // 2] = math.nan
    with pytest.raises(NotMeasured, match="not numbers"):
        function(holed, RATE, **how)
    with pytest.raises(NotMeasured):
        function(wave[:8], RATE, **how)


@pytest.mark.parametrize("read", [distortion, distortion_by_fit])
@pytest.mark.parametrize(("multiple", "counts"), [(2, True), (20, True), (21, False)])
def test_the_harmonics_of_thd_are_the_second_to_the_twentieth(
    read: Callable[..., Any], multiple: int, counts: bool
) -> None:
    rng = np.random.default_rng(2)
    wave = tone(1000.0) + tone(1000.0 * multiple, 0.01) + rng.normal(0.0, 1e-5, POINTS)
    found = read(wave, RATE, 1000.0)
    assert found.thd.value.nominal_value == pytest.approx(0.01 if counts else 0.0, abs=5e-4)
