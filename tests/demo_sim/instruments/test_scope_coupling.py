"""AC coupling is a capacitor: it takes the mean away, and what is slow with it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_sim.instruments.scope_coupling import Capacitor, corner_hz, without_dc


def sine(frequency_hz, dc=0.0):
    return lambda t: dc + np.sin(2 * np.pi * frequency_hz * t)


def amplitude(volts, frequency_hz, t):
    """Complex amplitude of a sine in whole periods."""
    return 2j * np.mean(volts * np.exp(-2j * np.pi * frequency_hz * t))


def test_ten_to_one_probe_lowers_the_corner_ten_times():
    assert corner_hz(1.0) == 10 * corner_hz(10.0) == 10.0


@pytest.mark.parametrize("rate_hz", [200.0, 5_000.0, 100_000.0])
@pytest.mark.parametrize("ratio", [0.5, 1.0, 3.0])
def test_response_is_that_of_a_first_order_high_pass(rate_hz, ratio):
    frequency = 10.0 * ratio
    t = 3.0 + np.arange(round(rate_hz)) / rate_hz
    got = amplitude(without_dc(sine(frequency, dc=4.0), t, Capacitor(10.0)), frequency, t)
    expected = 1j * ratio / (1 + 1j * ratio)
    assert got == pytest.approx(expected, abs=0.04)


@given(st.floats(-50.0, 50.0))
def test_direct_voltage_does_not_pass(volts):
    t = np.arange(2_000) / 50_000.0
    assert np.abs(without_dc(lambda t: np.full(t.size, volts), t, Capacitor(10.0))).max() < 1e-9


def test_step_passes_whole_and_leaks_away_with_the_time_constant():
    tau = 1.0 / (2 * math.pi * 10.0)
    t = np.arange(10_000) / 100_000.0
    volts = without_dc(lambda t: np.where(t >= 0.02, 5.0, 0.0), t, Capacitor(10.0))
    assert volts[2_000] == pytest.approx(5.0, abs=0.01)
    after = round(0.02 * 100_000 + tau * 100_000)
    assert volts[after] == pytest.approx(5.0 / math.e, rel=0.01)


def test_record_too_long_to_follow_loses_its_mean():
    t = np.arange(2_000_000) * 1.0
    volts = without_dc(lambda t: np.where(t % 2 > 0.5, 3.0, 1.0), t, Capacitor(10.0))
    assert abs(volts.mean()) < 1e-9


@pytest.mark.parametrize("later_s", [0.0, 0.003, 0.05, 0.5])
def test_look_that_follows_another_goes_on_where_it_was(later_s):
    signal, capacitor = sine(7.0, dc=12.0), Capacitor(10.0)
    first = 5.0 + np.arange(2_000) / 50_000.0
    without_dc(signal, first, capacitor)
    t = first[0] + later_s + np.arange(2_000) / 50_000.0
    alone = without_dc(signal, t, Capacitor(10.0))
    np.testing.assert_allclose(without_dc(signal, t, capacitor), alone, atol=0.02)


def test_capacitor_remembers_what_the_signal_was_before_it_changed():
    capacitor = Capacitor(1.0)
    t = 5.0 + np.arange(2_000) / 50_000.0
    without_dc(lambda t: np.full(t.size, 3.0), t, capacitor)
    after = without_dc(lambda t: np.full(t.size, 8.0), t + 0.04, capacitor)
    assert after[0] == pytest.approx(5.0, abs=0.01)
