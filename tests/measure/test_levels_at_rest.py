"""Offset, idle current, sharing, ripple, sag."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import levels
from seqrun.values import Bound, normal, rectangular


def read(value: float, gain: UFloat, offset: UFloat) -> UFloat:
    """A reading on a range whose gain and offset errors are shared with other readings."""
    return value * (1.0 + gain) + offset


def one_range() -> tuple[UFloat, UFloat]:
    return rectangular(0.0, 5e-4, "gain"), rectangular(0.0, 1e-4, "offset")


def test_5_5_mv_across_0_22_ohm_is_25_ma() -> None:
    current = levels.idle_current(normal(5.5e-3, 1e-5, "meter"), rectangular(0.22, 0.011, "r"))
    assert current.nominal_value == pytest.approx(0.025)
    assert current.std_dev == pytest.approx(0.025 * np.hypot(1e-5 / 5.5e-3, 0.05 / np.sqrt(3)))


def test_a_resistors_tolerance_hardly_matters_for_the_drift_across_it() -> None:
    ballast = rectangular(0.22, 0.011, "ballast")
    cold, hot = (levels.idle_current(normal(v, 1e-6, "meter"), ballast) for v in (5.5e-3, 5.7e-3))
    change = levels.drift(hot, cold)
    assert change.nominal_value == pytest.approx(0.2e-3 / 0.22)
    assert change.std_dev < 0.05 * hot.std_dev


def test_matched_devices_share_equally() -> None:
    assert levels.sharing([normal(0.025, 1e-5, f"{i}") for i in range(4)]).nominal_value == (
        pytest.approx(0.0)
    )


def test_a_dead_device_of_two_is_a_departure_of_one() -> None:
    spread = levels.sharing([normal(0.05, 1e-5, "a"), normal(0.0, 1e-5, "b")])
    assert spread.nominal_value == pytest.approx(1.0)


@given(st.floats(0.001, 0.02), st.floats(0.1, 1.0))
def test_a_vbe_mismatch_shifts_the_current_by_the_mismatch_over_the_ballast(
    mismatch_v: float, ballast_ohm: float
) -> None:
    """Where the drop across the ballast is large against kT/q; common practice."""
    mean_v = 2.0
    up = normal((mean_v + mismatch_v / 2) / ballast_ohm, 1e-9, "a")
    down = normal((mean_v - mismatch_v / 2) / ballast_ohm, 1e-9, "b")
    difference = (up - down).nominal_value
    assert difference == pytest.approx(mismatch_v / ballast_ohm)
    spread = levels.sharing([up, down]).nominal_value
    assert spread * 2.0 * mean_v / ballast_ohm == pytest.approx(difference, rel=1e-6)


def test_the_meters_gain_cancels_in_sharing() -> None:
    gain, _ = one_range()
    currents = [read(v, gain, 0.0) for v in (0.024, 0.026)]
    assert levels.sharing(currents).std_dev < 1e-9


@pytest.mark.parametrize("truth", [0.0, 0.02, 0.05])
def test_largest_departure_of_four_devices_is_held_by_its_interval(truth: float) -> None:
    rng = np.random.default_rng(4)
    currents = 0.025 * (1.0 + np.array([truth, -truth / 3, -truth / 3, -truth / 3]))
    held = 0
    for _ in range(200):
        values = [
            normal(float(i + rng.normal(0.0, 5e-4)), 5e-4, f"{k}") for k, i in enumerate(currents)
        ]
        spread = levels.sharing(values)
        held += abs(spread.nominal_value - truth) <= 2.0 * spread.std_dev
    assert held >= 0.93 * 200


def test_sharing_of_devices_without_current_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="zero within its uncertainty"):
        levels.sharing([normal(1e-6, 1e-5, "a"), normal(-1e-6, 1e-5, "b")])


def test_sharing_of_one_device_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="at least two"):
        levels.sharing([normal(0.025, 1e-5, "a")])


def test_ripple_of_a_100_hz_sawtooth() -> None:
    rate, mains = 20_000.0, 50.0
    time = np.arange(4_321) / rate  # not a whole number of periods
    volts = 30.0 + 0.5 * (2.0 * ((100.0 * time) % 1.0) - 1.0)
    found = levels.ripple(volts, rate, mains_hz=mains)
    assert found.rms_v.value.nominal_value == pytest.approx(0.5 / np.sqrt(3.0), rel=0.002)
    assert found.peak_to_peak_v.nominal_value == pytest.approx(1.0, rel=0.01)


def test_ripple_within_the_scopes_noise_is_at_most() -> None:
    volts = np.random.default_rng(1).normal(30.0, 1e-3, 20_000)
    found = levels.ripple(volts, 20_000.0, floor_v=1.5e-3)
    assert found.rms_v.bound is Bound.AT_MOST


def test_ripple_of_a_clipped_capture_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="out of range"):
        levels.ripple(np.zeros(10_000), 20_000.0, clipped=True)


def test_sag_of_a_negative_rail_is_positive() -> None:
    gain, offset = one_range()
    fall = levels.sag(read(-30.0, gain, offset), read(-28.0, gain, offset))
    assert fall.nominal_value == pytest.approx(2.0)
    assert fall.std_dev == pytest.approx(2.0 * gain.std_dev)


def test_gain_cancels_in_the_sag_as_a_ratio() -> None:
    gain, _ = one_range()
    ratio = levels.sag_ratio(read(30.0, gain, 0.0), read(28.5, gain, 0.0))
    assert ratio.nominal_value == pytest.approx(0.05)
    assert ratio.std_dev < 1e-9
