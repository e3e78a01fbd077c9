"""IEEE 1057 sine fits against their definition: least squares, by other means."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from seqrun.measure import tones
from seqrun.measure.sinefit import fit_sine_4


@settings(max_examples=40, deadline=None)
@given(
    points=st.integers(40, 20_000),
    cycles=st.floats(2.0, 15.0),
    phase=st.floats(-3.1, 3.1),
    seed=st.integers(0, 1000),
)
def test_three_parameter_fit_is_the_three_column_least_squares_solution(
    points: int, cycles: float, phase: float, seed: int
) -> None:
    turn = 2.0 * np.pi * cycles / points * np.arange(points)
    noise = 0.01 * np.random.default_rng(seed).standard_normal(points)
    wave = 0.3 + 1.7 * np.cos(turn + phase) + noise
    columns = np.stack([np.cos(turn), np.sin(turn), np.ones(points)], axis=1)
    (a, b, c), *_ = np.linalg.lstsq(columns, wave, rcond=None)
    # The index of tones is centred on the record.
    omega = 2.0 * np.pi * cycles / points
    found = tones.fit_tones(tones.record(wave), [omega])
    first = found.phasors[0] * np.exp(-1j * omega * (points - 1) / 2.0)
    assert first.real == pytest.approx(a, abs=1e-8)
    assert -first.imag == pytest.approx(b, abs=1e-8)
    assert found.offset == pytest.approx(c, abs=1e-9)
    rest = wave - columns @ np.array([a, b, c])
    assert found.residual_square == pytest.approx(float(rest @ rest), rel=1e-7)


@pytest.mark.parametrize("start", [None, 1.0005])
@pytest.mark.parametrize(("points", "cycles"), [(60, 3.3), (1500, 12.7), (9000, 801.3)])
def test_four_parameter_fit_is_scipys_least_squares_solution(
    points: int, cycles: float, start: float | None
) -> None:
    n = np.arange(points)
    rng = np.random.default_rng(points)
    wave = 0.2 + np.cos(2.0 * np.pi * cycles / points * n + 0.7)
    wave += 0.02 * rng.standard_normal(points)

    def rest(p: np.ndarray) -> np.ndarray:
        return p[0] + p[1] * np.cos(2.0 * np.pi * p[2] / points * n + p[3]) - wave

    theirs = least_squares(rest, [0.2, 1.0, cycles, 0.7], xtol=1e-15, ftol=1e-15, gtol=1e-15)
    covariance = np.linalg.inv(theirs.jac.T @ theirs.jac) * 2.0 * theirs.cost / (points - 4)
    ours = fit_sine_4(wave, float(points), None if start is None else start * cycles)
    got = [ours.offset, ours.amplitude, ours.frequency_hz, ours.phase_rad]
    u = np.sqrt(np.diag(covariance))
    for value, expected, one in zip(got, theirs.x, u, strict=True):
        assert abs(value.nominal_value - expected) < 1e-3 * one
    # IEEE 1057's fit uncertainty; ours adds the pull of a broken period to the amplitude only.
    for value, one in zip(
        [ours.offset, ours.frequency_hz, ours.phase_rad], u[[0, 2, 3]], strict=True
    ):
        assert value.std_dev == pytest.approx(one, rel=0.12)
    assert ours.amplitude.std_dev >= 0.95 * u[1]


def test_fit_finds_the_tone_exactly_in_a_million_points() -> None:
    rate, frequency = 1e6, 997.3
    time = np.arange(1_000_000) / rate
    found = fit_sine_4(0.1 + 2.0 * np.cos(2.0 * np.pi * frequency * time + 1.0), rate)
    assert found.frequency_hz.nominal_value == pytest.approx(frequency, rel=1e-11)
    assert found.amplitude.nominal_value == pytest.approx(2.0, rel=1e-11)
    assert found.phase_rad.nominal_value == pytest.approx(1.0, abs=1e-9)
