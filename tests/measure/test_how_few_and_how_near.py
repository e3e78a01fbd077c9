"""How few readings tell something: so many are enough, and one less is not."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from seqrun.errors import NotMeasured
from seqrun.measure import (
    distortion,
    heat,
    hunting,
    levels,
    lines,
    noise,
    polarity,
    power,
    saturating,
    settle,
    sinefit,
    transfer,
    trend,
)
from seqrun.values import exactly, normal

RATE = 10e3


def sine(hertz: float, points: int, rate_hz: float = RATE, peak: float = 1.0) -> np.ndarray:
    return peak * np.sin(2.0 * np.pi * hertz * np.arange(points) / rate_hz)


def white(sd: float, points: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, points)


def bend(n: int) -> tuple[np.ndarray, np.ndarray]:
    x = np.linspace(0.0, 2.0, n)
    return x, 1.0 - np.exp(-x)


def gains(n: int) -> list[object]:
    return [normal(1.0, 1e-3, f"{k}") for k in range(n)]


#: what is done with so many readings, and how many it wants
FEWEST: dict[str, tuple[int, Callable[[int], object]]] = {
    "a runaway": (10, lambda n: heat.runaway(np.arange(float(n)), np.arange(float(n)) ** 2)),
    "a slope": (5, lambda n: heat.slope(np.arange(float(n)), np.arange(float(n)))),
    "a settled rise": (
        5,
        lambda n: heat.settled_rise(np.linspace(0.0, 1800.0, n), np.full(n, 20.0)),
    ),
    "a settled rise's window": (
        5,
        lambda n: heat.settled_rise(
            np.concatenate([np.arange(9.0), np.linspace(9000.0, 10_800.0, n)]), np.full(n + 9, 2.0)
        ),
    ),
    "a saturating curve": (5, lambda n: saturating.fit_saturating(*bend(n))),
    "a response": (
        3,
        lambda n: transfer.frequency_response([500.0, 1000.0, 2000.0, 4000.0][:n], gains(n)),
    ),
    "a playback curve": (
        2,
        lambda n: transfer.riaa_deviation([500.0, 1000.0, 2000.0][:n], gains(n)),
    ),
    "volume tracking": (2, lambda n: transfer.volume_tracking(gains(n), gains(n))),
    "louder records": (3, lambda n: hunting.level_change([1.0] * n, [1.0, 1.1, 1.2])),
    "records at rest": (3, lambda n: hunting.level_change([1.0, 1.1, 1.2], [1.0] * n)),
    "frames of bursts": (
        50,
        lambda n: noise.find_bursts(white(1.0, n * 50), RATE),
    ),
    "parallel devices": (2, lambda n: levels.shares(gains(n))),
    "periods of ripple": (4, lambda n: levels.ripple(sine(50.0, n * 200), RATE)),
    "periods of hum": (10, lambda n: lines.hum(sine(50.0, n * 200) + white(0.1, n * 200), RATE)),
    "periods of power": (16, lambda n: power.true_rms(sine(100.0, n * 100), RATE, 100.0)),
    "levels of power": (
        2,
        lambda n: power.power_at_distortion(
            [power.PowerPoint(exactly(w), exactly(1e-3)) for w in (1.0, 2.0, 3.0)[:n]], 0.01
        ),
    ),
    "levels of clipping": (
        2,
        lambda n: power.clipping_onset(
            [
                power.PowerPoint(exactly(w), exactly(d))
                for w, d in ((50.0, 0.05), (10.0, 1e-4), (5.0, 1e-4))[:n]
            ]
        ),
    ),
    "samples of a sine": (16, lambda n: sinefit.check_record(np.ones(n), RATE, None, False)),
    "periods of a sine": (
        2,
        lambda n: sinefit.check_record(np.ones(n * 100), RATE, 100.0, False),
    ),
    "readings of a trend": (3, lambda n: trend.line(np.arange(float(n)), np.arange(float(n)))),
    "samples of a burst's cycle": (
        10,
        lambda n: polarity.burst_polarity(
            np.concatenate([np.zeros(3 * n), sine(1.0, n, float(n)), np.zeros(3 * n)]),
            float(n),
            1.0,
        ),
    ),
    "bins of a noise": (
        20,
        lambda n: noise.noise_level(white(1.0, 2000), RATE, band_hz=(22.0, 22.0 + 5.0 * n - 2.0)),
    ),
    "bins that hold a line": (
        200,
        lambda n: lines.find_lines(
            white(1.0, 4000), RATE, low_hz=1000.0, high_hz=1000.0 + 2.5 * (n - 1) + 1.0
        ),
    ),
    "periods of fitted distortion": (
        20,
        lambda n: distortion.distortion_by_fit(
            sine(100.0, n * 100) + white(1e-3, n * 100), RATE, 100.0
        ),
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", FEWEST)
def test_so_few_are_enough_and_one_less_is_not(what: str) -> None:
    fewest, of = FEWEST[what]
    of(fewest)
    with pytest.raises(NotMeasured):
        of(fewest - 1)


def test_four_readings_that_stand_still_have_not_settled_and_five_have() -> None:
    for n, settled in ((4, False), (5, True)):
        found = settle.settling(list(range(n)), [1.0] * n, within=0.1, for_s=n - 1.0)
        assert (found.settled, found.readings) == (settled, n)
    at_once = settle.settling([1.0] * 6, [1.0] * 6, within=0.1, for_s=5.0)
    assert (at_once.settled, at_once.span_s) == (False, 0.0)
    assert math.isinf(at_once.change_u)
    assert not settle.settling([], [], within=0.1, for_s=5.0).settled


@pytest.mark.parametrize(("span", "settled"), [(8.9, False), (9.0, True)])
def test_a_window_is_full_at_nine_tenths(span: float, settled: bool) -> None:
    times = np.linspace(0.0, span, 10).tolist()
    assert settle.settling(times, [1.0] * 10, within=0.1, for_s=10.0).settled is settled


def test_what_belongs_together_comes_in_equal_numbers() -> None:
    with pytest.raises(NotMeasured):
        transfer.frequency_response([500.0, 1000.0, 2000.0], gains(4))
    with pytest.raises(NotMeasured):
        transfer.riaa_deviation([500.0, 1000.0], gains(3))
    for volts, amperes in (([], []), (gains(2), gains(1)), (gains(1), gains(2))):
        with pytest.raises(NotMeasured, match="voltages and"):
            power.supply_power(volts, amperes)
    assert power.supply_power(gains(1), gains(1)).nominal_value == 1.0


def test_two_frequencies_within_the_band_make_a_flatness_and_one_does_not() -> None:
    """20 Hz to 20 kHz; what lies outside is none of it."""
    loud = normal(2.0, 1e-3, "loud")
    for edge, inside in ((20.0, True), (19.9, False), (20_000.0, True), (20_100.0, False)):
        rest = [500.0, 1000.0]
        hertz = sorted([*rest, edge])
        levels_ = [loud if f == edge else normal(1.0, 1e-3, f"{f}") for f in hertz]
        found = transfer.frequency_response(hertz, levels_).flatness_db.nominal_value
        assert found == pytest.approx(6.02 if inside else 0.0, abs=0.03)
    with pytest.raises(NotMeasured, match="no frequencies in the band"):
        transfer.frequency_response([5.0, 10.0, 1000.0], gains(3))
    transfer.frequency_response([5.0, 25.0, 1000.0], gains(3))


def test_a_response_is_told_from_the_frequency_nearest_to_a_kilohertz() -> None:
    levels_ = [normal(g, 1e-6, f"{g}") for g in (1.0, 2.0, 4.0)]
    found = transfer.frequency_response([600.0, 1100.0, 3000.0], levels_)
    assert [round(r.nominal_value, 2) for r in found.relative_db] == [-6.02, 0.0, 6.02]
    curve = transfer.riaa_deviation([600.0, 1100.0, 3000.0], levels_)
    assert curve.deviations_db[1].nominal_value == 0.0
