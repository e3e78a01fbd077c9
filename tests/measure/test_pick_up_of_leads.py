"""What leads pick up of the mains: U by sampling and at both ends of the closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seqrun.measure.bounds import Bounded
from seqrun.measure.noise import noise_level
from seqrun.measure.pick_up import beside_pick_up, mains_of, mains_rms, without
from seqrun.measure.spectrum import power_spectrum
from seqrun.measure.windows import HANN
from seqrun.values import Bound, exactly

RATE_HZ = 100e3
T = np.arange(50_000) / RATE_HZ
MOST_V = 0.2e-3


def expanded(total_v: float, mains_v: float) -> float:
    return 2.0 * beside_pick_up(Bounded(exactly(total_v)), mains_v, MOST_V).value.std_dev


def test_u_reaches_what_it_does_beside_a_large_hum_and_beside_noise_that_holds_none() -> None:
    assert expanded(10e-3, 10e-3) == pytest.approx(MOST_V)
    assert expanded(10e-3, 0.0) == pytest.approx(MOST_V**2 / 20e-3, rel=1e-3)
    # 0.3 mV of noise and 0.4 mV of mains: 0.3 and 0.6 at most, 0.3 and 0.2 at least.
    assert expanded(0.5e-3, 0.4e-3) == pytest.approx(0.67082e-3 - 0.5e-3, rel=1e-3)


@pytest.mark.parametrize(("own_v", "others_v"), [(0.3e-3, 0.2e-3), (0.05e-3, 0.6e-3)])
def test_value_and_u_hold_the_units_own_and_no_more_than_needed(
    own_v: float, others_v: float
) -> None:
    rng = np.random.default_rng(4)
    truth = math.hypot(own_v, others_v)
    inside = []
    for _ in range(400):
        phasor = own_v + MOST_V * rng.random() * np.exp(2j * math.pi * rng.random())
        read = math.hypot(abs(phasor), others_v)
        found = beside_pick_up(Bounded(exactly(read)), abs(phasor), MOST_V)
        inside.append(abs(read - truth) / (2.0 * found.value.std_dev))
    assert max(inside) <= 1.0
    assert np.quantile(inside, 0.95) > 0.3


def test_what_pick_up_may_be_all_of_is_at_most() -> None:
    assert beside_pick_up(Bounded(exactly(0.1e-3)), 0.1e-3, MOST_V).bound is Bound.AT_MOST
    assert beside_pick_up(Bounded(exactly(0.1e-3)), 0.1e-3, 0.0).bound is Bound.EXACT


def test_the_value_is_what_was_read() -> None:
    found = beside_pick_up(Bounded(exactly(0.5e-3)), 0.4e-3, MOST_V)
    assert found.value.nominal_value == pytest.approx(0.5e-3)


def test_in_a_short_record_the_lobe_of_the_mains_is_taken_whole() -> None:
    volts = 1e-3 * np.sin(2 * math.pi * 50.0 * T[:10_000])
    noise = 1e-6 * np.random.default_rng(2).standard_normal(10_000)
    found = mains_of(power_spectrum(volts + noise, RATE_HZ, HANN))
    assert found == pytest.approx(1e-3 / math.sqrt(2.0), rel=0.01)


def test_bins_are_counted_from_where_the_band_begins() -> None:
    """Bins of 20 Hz from the second on: 40 Hz, 60 Hz, and 80 Hz that is no mains."""
    lines = np.array([True, True, True])
    assert mains_rms(np.array([9.0, 16.0, 100.0]), lines, 20.0, 2) == pytest.approx(5.0)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_the_mains_is_told_from_its_multiples_and_from_noise(mains_hz: float) -> None:
    noise = 50e-6 * np.random.default_rng(1).standard_normal(T.size)
    volts = noise + math.sqrt(2.0) * (
        80e-6 * np.sin(2 * math.pi * mains_hz * T) + 1e-3 * np.sin(4 * math.pi * mains_hz * T)
    )
    assert noise_level(volts, RATE_HZ).mains_v == pytest.approx(80e-6, rel=0.05)
    assert mains_of(power_spectrum(volts, RATE_HZ, HANN)) == pytest.approx(80e-6, rel=0.05)
    assert noise_level(noise, RATE_HZ).mains_v == 0.0


def test_what_the_spare_probes_own_lead_picks_up_is_no_noise_of_the_scope() -> None:
    assert without(5e-5, 3e-5) == pytest.approx(4e-5)
    assert without(3e-5, 5e-5) == 0.0
