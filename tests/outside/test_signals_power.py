"""Arithmetic of power stages against the handbooks."""

from __future__ import annotations

import numpy as np
import pytest

from seqrun.measure.clipping import clip_ratio_at_thd, clipped_thd, power_ratio_at_thd
from seqrun.measure.power import (
    PowerPoint,
    clipping_onset,
    power_at_distortion,
    power_into_load,
    true_rms,
)
from seqrun.values import normal

CLIP_V, LOAD_OHM = 20.0, 8.0
ONSET_W = CLIP_V**2 / (2.0 * LOAD_OHM)


@pytest.fixture(scope="module")
def sweep() -> list[PowerPoint]:
    """A hard clip at 20 V into 8 Ω, driven in steps of 2 %."""
    load = normal(LOAD_OHM, 1e-6, "load")
    turn = 2.0 * np.pi * 997.0 * np.arange(20_000) / 200_000.0
    points = []
    for level in np.arange(0.9, 1.5, 0.02):
        wave = np.clip(level * CLIP_V * np.sin(turn), -CLIP_V, CLIP_V)
        power = power_into_load(true_rms(wave, 200_000.0, 997.0), load)
        thd = max(clipped_thd(min(1.0 / float(level), 1.0)), 1e-4)
        points.append(PowerPoint(power, normal(thd, 1e-6, "thd")))
    return points


@pytest.mark.parametrize(("thd", "ratio"), [(0.01, 1.0475), (0.03, 1.1119), (0.10, 1.2878)])
def test_a_level_sweep_into_a_hard_clip_gives_fouriers_power(
    sweep: list[PowerPoint], thd: float, ratio: float
) -> None:
    """Fourier analysis of the clipped sine, computed."""
    found = power_at_distortion(sweep, thd).power / ONSET_W
    assert found.nominal_value == pytest.approx(ratio, abs=3e-3)
    assert abs(found.nominal_value - ratio) <= 2.0 * found.std_dev


def test_onset_of_clipping_is_where_the_sine_just_reaches_the_clip_level(
    sweep: list[PowerPoint],
) -> None:
    onset = clipping_onset(sweep)
    assert onset.nominal_value == pytest.approx(ONSET_W, rel=2e-3)


def test_clip_level_and_power_ratio_agree_with_the_wave_they_describe() -> None:
    clip = clip_ratio_at_thd(0.03)
    wave = np.clip(np.sin(2.0 * np.pi * (np.arange(4096) + 0.5) / 4096), -clip, clip)
    assert 2.0 * np.mean(wave**2) / clip**2 == pytest.approx(power_ratio_at_thd(0.03), rel=1e-6)
