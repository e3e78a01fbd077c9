"""Sine fits: what they find, how well they say they know it, and what they refuse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seqrun.errors import NotMeasured
from seqrun.measure import tones
from seqrun.measure.sinefit import fit_sine_4
from seqrun.values import budget_of, rectangular


def wave(points: int, cycles: float, phase: float = 0.4) -> np.ndarray:
    return 0.1 + np.cos(2.0 * np.pi * cycles / points * np.arange(points) + phase)


@settings(max_examples=60, deadline=None)
@given(
    points=st.integers(200, 70_000),
    share=st.floats(0.001, 0.97),
    phase=st.floats(-3.0, 3.0),
    given_start=st.booleans(),
)
def test_any_clean_tone_is_found_exactly(
    points: int, share: float, phase: float, given_start: bool
) -> None:
    cycles = 3.0 + share * (points / 2.0 - 6.0)
    start = cycles * (1.0 + min(0.2 / cycles, 0.01)) if given_start else None
    found = fit_sine_4(wave(points, cycles, phase), float(points), start)
    assert found.frequency_hz.nominal_value == pytest.approx(cycles, rel=1e-8)
    assert found.amplitude.nominal_value == pytest.approx(1.0, rel=1e-7)
    assert math.remainder(found.phase_rad.nominal_value - phase, 2 * math.pi) == pytest.approx(
        0.0, abs=1e-6
    )


def test_amplitude_and_frequency_are_held_by_their_intervals() -> None:
    rng = np.random.default_rng(2)
    held = np.zeros(2)
    for _ in range(200):
        found = fit_sine_4(wave(2000, 30.0) + rng.normal(0.0, 0.05, 2000), 2000.0, 30.0)
        held += [
            abs(found.amplitude.nominal_value - 1.0) <= 2.0 * found.amplitude.std_dev,
            abs(found.frequency_hz.nominal_value - 30.0) <= 2.0 * found.frequency_hz.std_dev,
        ]
    assert np.all(held >= 0.92 * 200)
    assert np.all(held <= 0.995 * 200)


def test_a_harmonic_over_a_broken_period_stays_within_the_interval() -> None:
    worst = 0.0
    for phase in np.linspace(0.0, 2.0 * np.pi, 25):
        turn = 2.0 * np.pi * 7.4 / 5000 * np.arange(5000)
        found = fit_sine_4(np.cos(turn) + 0.05 * np.cos(2.0 * turn + phase), 5000.0, 7.4)
        off = abs(found.amplitude.nominal_value - 1.0) / found.amplitude.std_dev
        worst = max(worst, off)
    assert 0.3 < worst < 2.0


def test_vertical_gain_is_in_the_budget_and_shared() -> None:
    gain = rectangular(1.0, 0.02, "vertical gain")
    one, other = (fit_sine_4(a * wave(1000, 10.0), 1000.0, 10.0, gain=gain) for a in (1.0, 2.0))
    assert budget_of(one.amplitude)[0].source.name == "vertical gain"
    assert (other.amplitude / one.amplitude).std_dev < 1e-6


def test_sinad_is_signal_over_all_the_rest() -> None:
    noisy = wave(100_000, 50.0) + np.random.default_rng(3).normal(0.0, 0.01, 100_000)
    found = fit_sine_4(noisy, 1e5, 50.0)
    assert found.sinad.nominal_value == pytest.approx(1.0 / math.sqrt(2.0) / 0.01, rel=0.01)


def test_several_tones_fitted_together_do_not_pull_each_other() -> None:
    n = np.arange(5000)
    omegas = [2.0 * np.pi * c / 5000 for c in (5.3, 10.6, 15.9)]
    parts = [1.0 * np.cos(omegas[0] * n), 0.1 * np.sin(omegas[1] * n), 0.02 * np.cos(omegas[2] * n)]
    found = tones.fit_tones(tones.record(np.sum(parts, axis=0) + 0.5), omegas)
    assert [abs(p) for p in found.phasors] == pytest.approx([1.0, 0.1, 0.02], rel=1e-10)
    assert found.offset == pytest.approx(0.5, rel=1e-10)


@pytest.mark.parametrize(
    ("values", "rate", "frequency", "reason"),
    [
        (wave(1000, 10.0), 1000.0, 501.0, "aliased"),
        (wave(1000, 1.2), 1000.0, 1.2, "at least 2"),
        (np.random.default_rng(0).normal(size=1000), 1000.0, 10.0, "no tone"),
        (np.full(1000, np.nan), 1000.0, 10.0, "not numbers"),
        (np.zeros(8), 1000.0, 100.0, "at least 16"),
        (wave(1000, 40.0), 1000.0, 37.0, "37 Hz"),
    ],
)
def test_what_cannot_be_fitted_is_not_measured(
    values: np.ndarray, rate: float, frequency: float, reason: str
) -> None:
    with pytest.raises(NotMeasured, match=reason):
        fit_sine_4(values, rate, frequency)


def test_a_clipped_converter_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="higher vertical range"):
        fit_sine_4(wave(1000, 10.0), 1000.0, 10.0, clipped=True)
