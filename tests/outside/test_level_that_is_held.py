"""How far a held level falls, and how well that is known, against SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pytest import approx
from scipy.signal import butter, freqs
from scipy.stats import norm

from seqrun.errors import NotMeasured
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import Unit
from seqrun.measure.transfer import MEDIAN_TO_SIGMA, held_fall_db, regained_db
from seqrun.measure.uncertain import variable

PER_SHARE = 20.0 / math.log(10.0)  # dB


def test_a_median_becomes_a_standard_deviation_as_the_normal_distribution_says() -> None:
    assert approx(1.0 / norm.ppf(0.75), rel=1e-4) == MEDIAN_TO_SIGMA


def test_a_level_without_noise_has_fallen_by_its_ratio() -> None:
    fall, at = held_fall_db([10.0, 10.0, 8.0, 9.0, 10.0], 0.0)
    assert fall.nominal_value == approx(-20.0 * math.log10(0.8), rel=1e-12)
    assert at == 2
    instruments, _ = held_fall_db([10.0] * 9, 1e-3)
    assert instruments.std_dev == approx(PER_SHARE * 1e-3, rel=1e-9)


@pytest.mark.parametrize("dropped", [0.0, 0.3])
def test_the_scatter_is_that_of_the_readings_and_not_of_what_drops(dropped: float) -> None:
    """Two readings, each off by 10 mV, make their ratio uncertain by both; a fifth of the time at
    another level adds nothing to what one is off by."""
    rng = np.random.default_rng(1)
    found = []
    for _ in range(400):
        levels = rng.normal(10.0, 0.01, 200)
        levels[40:80] -= 10.0 * dropped
        fall, _ = held_fall_db([float(v) for v in levels], 0.0)
        found.append(float(fall.std_dev))
    expected = PER_SHARE * 1e-3 * math.hypot(1.0, 1.0 / (1.0 - dropped))
    assert float(np.mean(found)) == approx(expected, rel=0.03)


@pytest.mark.parametrize("levels", [[], [1.0, 0.0]])
def test_nothing_is_no_level(levels: list[float]) -> None:
    with pytest.raises(NotMeasured):
        held_fall_db(levels, 0.0)


@pytest.mark.parametrize("farads", [1000e-6, 2200e-6, 10e-3])
def test_what_an_output_capacitor_leaves_is_that_of_a_first_order_high_pass(farads: float) -> None:
    text = find("unit", "demo-single", None).read_text(encoding="utf-8")
    lines = [row for row in text.splitlines() if not row.startswith(("output_cap", "rated_band"))]
    lines.insert(0, f'output_capacitor = "{1e6 * farads:g} µF"\nrated_band = ["30 Hz", "15 kHz"]')
    unit = Unit.from_text("\n".join(lines))
    corner = 1.0 / (unit.rated_load * farads)  # rad/s
    high_pass = butter(1, corner, "high", analog=True)
    _, (response,) = freqs(*high_pass, worN=[2.0 * math.pi * 30.0])
    assert unit.power_left_low == approx(abs(response) ** 2, rel=1e-9)
    assert unit.output_corner == approx(corner / (2.0 * math.pi), rel=1e-12)


@pytest.mark.parametrize("ratio", [1.0, 1.26, 10.0])
def test_a_tone_that_comes_back_is_louder_by_its_ratio_and_as_sure_as_both_readings(
    ratio: float,
) -> None:
    """20 lg of the ratio; relative uncertainties add as squares (GUM 5.1.6), what both readings
    share does not count."""
    shared = variable(1.0, 0.03, "vertical gain")
    before = variable(0.05, 0.05e-2, "fit") * shared
    after = variable(0.05 * ratio, 0.05e-2 * ratio, "fit") * shared
    found = regained_db(before, after, 0.02)
    assert found.nominal_value == approx(20.0 * math.log10(ratio), abs=1e-12)
    assert found.std_dev == approx(PER_SHARE * math.hypot(0.01, 0.01, 0.02), rel=1e-9)


def test_a_tone_that_was_not_there_has_not_come_back_by_so_much() -> None:
    with pytest.raises(NotMeasured):
        regained_db(variable(0.0, 1e-3, "fit"), variable(0.05, 1e-3, "fit"), 0.02)
