"""Gain, balance, response, separation, source impedance, RIAA, tone, volume."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from uncertainties import UFloat

from seqrun.errors import NotMeasured
from seqrun.measure import transfer
from seqrun.values import Bound, normal, rectangular


def level(value: float, relative_u: float = 1e-4, name: str = "meter") -> UFloat:
    return normal(value, relative_u * value, name)


def first_order(frequencies: np.ndarray, low_hz: float, high_hz: float) -> list[float]:
    """Magnitude of a first-order band-pass."""
    f = np.asarray(frequencies)
    return list(1.0 / np.sqrt((1.0 + (low_hz / f) ** 2) * (1.0 + (f / high_hz) ** 2)))


def test_28_2_times_is_29_db() -> None:
    assert transfer.gain_db(level(28.184), level(1.0)).nominal_value == pytest.approx(
        29.0, abs=1e-3
    )


def test_the_scopes_gain_cancels_in_the_balance_of_two_readings_on_one_channel() -> None:
    gain = rectangular(1.0, 0.03, "vertical gain")
    balance = transfer.balance_db(10.1 * gain, 10.0 * gain)
    assert balance.nominal_value == pytest.approx(20 * math.log10(1.01))
    assert balance.std_dev < 1e-9


SILENT = normal(1e-5, 1e-5, "m")


@pytest.mark.parametrize(
    ("ratio", "what"),
    [
        (lambda: transfer.gain_db(SILENT, level(1.0)), "output"),
        (lambda: transfer.gain_db(level(1.0), SILENT), "input"),
        (lambda: transfer.balance_db(SILENT, level(1.0)), "one channel"),
        (lambda: transfer.balance_db(level(1.0), SILENT), "the other channel"),
        (lambda: transfer.separation_db(SILENT, level(1e-3)), "the driven channel"),
        (lambda: transfer.source_impedance(SILENT, level(1.0), level(8.0), 8.0), "the unloaded"),
        (lambda: transfer.source_impedance(level(1.0), SILENT, level(8.0), 8.0), "the loaded"),
        (lambda: transfer.tone_range(SILENT, level(1.0), level(1.0)), "full"),
        (lambda: transfer.tone_range(level(1.0), SILENT, level(1.0)), "middle"),
        (lambda: transfer.tone_range(level(1.0), level(1.0), SILENT), "least"),
    ],
)
def test_what_is_silent_has_no_ratio(ratio: Callable[[], object], what: str) -> None:
    with pytest.raises(NotMeasured, match=f"{what}.*zero within its uncertainty"):
        ratio()


def test_separation_of_10_v_over_1_mv_is_80_db() -> None:
    found = transfer.separation_db(level(10.0), level(1e-3, 1e-2))
    assert found.bound is Bound.EXACT
    assert found.value.nominal_value == pytest.approx(80.0)


def test_separation_within_the_floor_is_at_least() -> None:
    found = transfer.separation_db(level(10.0), normal(1e-4, 1e-5, "m"), 2e-4)
    assert found.bound is Bound.AT_LEAST
    assert found.value.nominal_value < 100.0


def test_source_impedance_from_the_fall_under_load() -> None:
    """0.1 Ω against 8 Ω: U0/U1 = 1.0125 and a damping factor of 80."""
    found = transfer.source_impedance(level(10.125), level(10.0), level(8.0), 8.0)
    assert found.bound is Bound.EXACT
    assert found.impedance_ohm.nominal_value == pytest.approx(0.1)
    assert found.damping_factor.nominal_value == pytest.approx(80.0)


def test_gain_of_one_range_cancels_in_the_source_impedance() -> None:
    gain = rectangular(1.0, 0.02, "vertical gain")
    found = transfer.source_impedance(10.125 * gain, 10.0 * gain, level(8.0, 1e-6), 8.0)
    assert found.impedance_ohm.std_dev < 1e-6


def test_a_fall_within_the_uncertainty_is_at_most() -> None:
    found = transfer.source_impedance(
        level(10.001, 1e-3, "a"), level(10.0, 1e-3, "b"), level(8.0), 8.0
    )
    assert found.bound is Bound.AT_MOST
    assert found.impedance_ohm.nominal_value > 8.0 * 2.0 * 1e-3


def test_an_output_that_rises_with_the_load_is_not_measured() -> None:
    with pytest.raises(NotMeasured, match="rises"):
        transfer.source_impedance(level(10.0), level(10.5), level(8.0), 8.0)


@pytest.mark.parametrize("per_octave", [1, 3])
def test_3_db_points_of_a_first_order_band_pass_are_its_corners(per_octave: int) -> None:
    frequencies = 10.0 * 2.0 ** (np.arange(14 * per_octave) / per_octave)
    gains = [level(g, 1e-5, f"{i}") for i, g in enumerate(first_order(frequencies, 25.0, 41_000.0))]
    found = transfer.frequency_response(frequencies.tolist(), gains)
    assert found.low_3db_hz is not None
    assert found.high_3db_hz is not None
    # The corner of the other end and the reference's own loss lie within the interpolation.
    for corner, truth in ((found.low_3db_hz, 25.0), (found.high_3db_hz, 41_000.0)):
        assert abs(corner.nominal_value - truth) <= 2.0 * corner.std_dev + 1e-3 * truth


def test_flatness_is_the_largest_departure_within_the_band() -> None:
    frequencies = [20.0, 100.0, 1000.0, 10_000.0, 20_000.0, 60_000.0]
    gains = [level(g, 1e-5, f"{i}") for i, g in enumerate([0.98, 1.0, 1.0, 1.01, 0.95, 0.5])]
    found = transfer.frequency_response(frequencies, gains)
    assert found.flatness_db.nominal_value == pytest.approx(-20 * math.log10(0.95))


def test_a_response_that_does_not_fall_has_no_3_db_points() -> None:
    found = transfer.frequency_response(
        [20.0, 1000.0, 20_000.0], [level(1.0, 1e-5, f"{i}") for i in range(3)]
    )
    assert found.low_3db_hz is None
    assert found.high_3db_hz is None


def test_frequencies_out_of_order_are_refused() -> None:
    with pytest.raises(NotMeasured, match="order"):
        transfer.frequency_response([20.0, 10.0, 30.0], [level(1.0)] * 3)


def test_an_exact_riaa_input_has_no_deviation() -> None:
    frequencies = [20.0, 100.0, 1000.0, 10_000.0, 20_000.0]
    gains = [level(10 ** (transfer.riaa_playback_db(f) / 20), 1e-5, f"{f}") for f in frequencies]
    found = transfer.riaa_deviation(frequencies, gains)
    assert found.largest_db.nominal_value == pytest.approx(0.0, abs=1e-9)


def test_a_tired_riaa_network_shows_where_it_departs() -> None:
    frequencies = [20.0, 1000.0, 20_000.0]
    gains = [level(10 ** (transfer.riaa_playback_db(f) / 20), 1e-5, f"{f}") for f in frequencies]
    found = transfer.riaa_deviation(frequencies, [gains[0] * 0.8, gains[1], gains[2]])
    assert found.deviations_db[0].nominal_value == pytest.approx(20 * math.log10(0.8))


def test_tone_range_is_boost_and_cut_about_the_middle() -> None:
    found = transfer.tone_range(level(3.1623), level(1.0), level(0.31623))
    assert found.boost_db.nominal_value == pytest.approx(10.0, abs=1e-3)
    assert found.cut_db.nominal_value == pytest.approx(-10.0, abs=1e-3)


def test_volume_tracking_is_the_largest_change_of_balance() -> None:
    found = transfer.volume_tracking(
        [level(1.0), level(0.1), level(0.01)], [level(1.0), level(0.105), level(0.0099)]
    )
    assert found.largest_db.nominal_value == pytest.approx(20 * math.log10(1.05))
