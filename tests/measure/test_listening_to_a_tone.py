"""Drop-outs and crackles in records of a tone, and what their counts say of the rate."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure.counts import event_rate, most_events
from seqrun.measure.listening import listen_driven, listen_quiet
from seqrun.measure.stray import stray
from seqrun.values import Bound

RATE, TONE = 10e3, 1000.0
RNG = np.random.default_rng(5)


def tone(seconds: float = 2.0, noise_v: float = 0.005) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    hum = 0.01 * np.sin(2 * np.pi * 100 * t)
    return 9.0 * np.sin(2 * np.pi * TONE * 1.000005 * t) + hum + noise_v * RNG.normal(size=t.size)


def test_a_tone_that_goes_on_has_neither() -> None:
    heard = listen_driven(tone(), RATE, TONE)
    assert (heard.drop_outs, heard.crackles) == (0, 0)
    assert heard.live_s == pytest.approx(2.0)


@pytest.mark.parametrize("lasts_s", [0.003, 0.05, 0.4])
@pytest.mark.parametrize("left", [0.0, 0.7])
def test_a_tone_that_goes_away_or_down_has_dropped_out_and_not_crackled(
    lasts_s: float, left: float
) -> None:
    volts = tone()
    at = np.arange(volts.size) / RATE
    for begin in (0.3, 1.2):
        volts[(at >= begin) & (at < begin + lasts_s)] *= left
    heard = listen_driven(volts, RATE, TONE)
    assert heard.drop_outs == 2
    assert heard.lost_s == pytest.approx(2 * lasts_s, abs=0.004)
    assert heard.crackles == 0


@pytest.mark.parametrize("height_v", [0.05, 0.2])
def test_a_crackle_beside_a_tone_is_heard(height_v: float) -> None:
    volts = tone()
    for begin in (3000, 11000):
        volts[begin : begin + 100] += height_v * RNG.normal(size=100)
    heard = listen_driven(volts, RATE, TONE)
    assert heard.crackles == 2
    assert heard.drop_outs == 0


def test_steady_noise_of_a_whole_soak_sets_nothing_off() -> None:
    total = sum(listen_quiet(1e-4 * RNG.normal(size=16000), RATE).crackles for _ in range(300))
    assert total == 0


STEP_V = 0.0859375  # of 8 bits over 22 V


def by_steps(volts: np.ndarray, step_v: float) -> np.ndarray:
    """What a converter makes of it."""
    return step_v * np.round(volts / step_v)


@pytest.mark.parametrize("noise_v", [0.0, 1e-4, 0.005, 0.03])
def test_steps_of_a_coarse_converter_beside_a_tone_are_no_crackles(noise_v: float) -> None:
    """Whole frames repeat code by code, others toggle as the tone drifts against the samples."""
    for begin in range(0, 20_000, 2_500):
        volts = by_steps(tone(noise_v=noise_v)[begin : begin + 2_500], STEP_V)
        assert listen_driven(volts, RATE, TONE, step_v=STEP_V).crackles == 0


def test_a_crackle_of_several_steps_is_heard_and_what_is_least_is_told() -> None:
    volts = tone(0.25)
    volts[1000:1100] += 3.0 * STEP_V * RNG.normal(size=100)
    heard = listen_driven(by_steps(volts, STEP_V), RATE, TONE, step_v=STEP_V)
    assert heard.crackles == 1
    assert STEP_V < heard.least_v < 2.0 * STEP_V


@pytest.mark.parametrize("noise_v", [1e-6, 3e-5, 6e-5, 1e-4, 2e-4])
def test_silence_that_toggles_between_codes_does_not_crackle(noise_v: float) -> None:
    """Wherever between two codes of 0.39 mV it rests, and though hum or a drift crosses one."""
    step_v = 3.90625e-4
    t = np.arange(2_500) / RATE
    for rest in np.arange(0.0, 1.0, 0.05) * step_v:
        volts = rest + 3e-5 * np.sin(2 * np.pi * 100 * t) + noise_v * RNG.normal(size=t.size)
        assert listen_quiet(by_steps(volts, step_v), RATE, step_v=step_v).crackles == 0
        volts[1200:1300] += 2e-3 * RNG.normal(size=100)
        assert listen_quiet(by_steps(volts, step_v), RATE, step_v=step_v).crackles == 1


def test_a_record_of_silence_is_no_tone() -> None:
    with pytest.raises(NotMeasured):
        listen_driven(np.zeros(20000), RATE, TONE)


@pytest.mark.parametrize(("seen", "most"), [(0, 3.783), (1, 5.683), (6, 13.22)])
def test_the_bound_of_a_count_is_the_exact_one(seen: int, most: float) -> None:
    """Of a Poisson count with that mean, so few or fewer come 2.275 times in a hundred."""
    mean = most_events(seen)
    assert mean == pytest.approx(most, abs=0.02)
    fewer = sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(seen + 1))
    assert fewer == pytest.approx(0.02275, abs=1e-5)


@pytest.mark.parametrize("mean", [2.0, 4.0, 8.0, 12.0, 30.0])
def test_a_unit_exactly_at_its_limit_passes_no_more_often_than_its_bound_allows(
    mean: float,
) -> None:
    watched, limit = 60.0, mean / 60.0
    passes = 0.0
    for seen in range(100):
        found = event_rate(seen, watched)
        guard = 2.0 * float(found.value.std_dev)
        if float(found.value.nominal_value) + guard <= limit:
            passes += math.exp(-mean + seen * math.log(mean) - math.lgamma(seen + 1))
    assert passes <= 0.0228


def test_none_seen_is_at_most() -> None:
    found = event_rate(0, 400.0)
    assert found.bound is Bound.AT_MOST
    assert found.value.nominal_value == pytest.approx(3.783 / 400.0, rel=1e-3)


def ringing(frequency_hz: float, peak_v: float, rate_hz: float) -> np.ndarray:
    t = np.arange(round(1.2e-3 * rate_hz)) / rate_hz
    signal = 18.0 * np.sin(2 * np.pi * 1000.0 * t)
    return signal + np.where(np.abs(signal) > 15.0, peak_v, 0.0) * np.sin(
        2 * np.pi * frequency_hz * t
    )


@pytest.mark.parametrize("frequency_hz", [1.1e6, 2e6, 7.3e6, 19e6])
def test_oscillation_on_the_tips_counts_at_its_full_size(frequency_hz: float) -> None:
    found = stray(ringing(frequency_hz, 1.0, 50e6), 50e6)
    assert found.rms_v == pytest.approx(math.sqrt(0.5), rel=0.15)
    assert abs(found.at_v) > 14.0
    assert found.usual_v < 0.8


def test_half_a_megahertz_counts_with_three_quarters() -> None:
    assert stray(ringing(0.5e6, 1.0, 50e6), 50e6).rms_v == pytest.approx(0.53, rel=0.15)


def test_a_tone_with_its_harmonics_leaves_nothing_above() -> None:
    t = np.arange(60_000) / 50e6
    volts = 18.0 * np.sin(2 * np.pi * 1000.0 * t) + 0.2 * np.sin(2 * np.pi * 9000.0 * t)
    assert stray(volts, 50e6).rms_v < 1e-3


def test_a_record_too_slow_for_what_is_looked_for_is_refused() -> None:
    with pytest.raises(NotMeasured, match="samples per second"):
        stray(np.zeros(5000), 500e3)
