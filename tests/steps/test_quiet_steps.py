"""Noise, hum, whine and bursts, against what the simulated unit really puts out."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from seqrun.measure.noise import noise_level
from seqrun.measure.weighting import Weighting
from seqrun.values import Bound

Powered = Callable[..., Any]


def true_noise(unit: Any, weighting: Weighting = Weighting.UNWEIGHTED) -> float:
    """rms at out.left without any instrument, V."""
    rate = 100e3
    squares = []
    for k in range(4):
        t = unit.world.now + 0.5 * k + np.arange(50_000) / rate
        volts = unit.world.voltage("out.left", "ground", t)
        squares.append(noise_level(volts, rate, weighting=weighting).rms.value.nominal_value ** 2)
    return math.sqrt(sum(squares) / len(squares))


@pytest.mark.parametrize(
    ("weighting", "quantity"),
    [
        (Weighting.UNWEIGHTED, "noise"),
        (Weighting.A, "noise_a_weighted"),
        (Weighting.CCIR_468, "noise_ccir_468"),
    ],
)
def test_noise_of_a_healthy_unit_holds_the_true_noise(
    powered: Powered, weighting: Weighting, quantity: str
) -> None:
    unit = powered()
    read = unit.do(
        f'[[step]]\nid = "n"\ndo = "output_noise"\nat = "out.left"\nrecords = 4\n'
        f'weighting = "{weighting}"\n'
    ).one(quantity)
    truth = true_noise(unit, weighting)
    # The truth is read from a few seconds of noise itself: half a percent by statistics.
    assert read.value == pytest.approx(truth, abs=read.expanded_uncertainty + 0.005 * truth)


def test_the_scopes_own_noise_is_in_the_budget_of_the_units(powered: Powered) -> None:
    read = (
        powered()
        .do('[[step]]\nid = "n"\ndo = "output_noise"\nat = "out.left"\nrecords = 2\n')
        .one("noise")
    )
    assert any("own noise" in line.source.name for line in read.budget)


def test_signal_to_noise_is_rated_voltage_over_the_noise_read_before(powered: Powered) -> None:
    read = powered().do(
        '[[step]]\nid = "n"\ndo = "output_noise"\nat = "out.left"\nrecords = 2\n'
        '[[step]]\nid = "sn"\ndo = "signal_to_noise"\nof = "n"\n'
    )
    rated = math.sqrt(40.0 * 8.0)
    assert read.one("signal_to_noise").value == pytest.approx(
        20.0 * math.log10(rated / read.one("noise").value)
    )


def test_hum_of_a_tired_reservoir_is_read_line_by_line(powered: Powered) -> None:
    unit = powered("hum@right=0.5")
    read = unit.do('[[step]]\nid = "h"\ndo = "hum"\nat = "out.right"\n')
    peak = unit.world._unit.spec.channel("right").noise.hum_v
    # A saw-tooth of that peak: its first harmonic is 2/π of it.
    (line,) = [r for r in read.all("hum_line") if r.note == "100.0 Hz"]
    assert line.value == pytest.approx(
        peak * 2.0 / math.pi / math.sqrt(2.0), abs=line.expanded_uncertainty
    )
    assert read.one("hum_rectified_share").value > 90.0


def test_a_quiet_rail_has_no_whine_beyond_a_bound(powered: Powered) -> None:
    read = powered().do('[[step]]\nid = "w"\ndo = "whine"\nat = "rail.pos"\n').one("whine")
    assert read.bound is Bound.AT_MOST
    assert read.value < 1e-5


def test_bursts_of_a_noisy_device_are_counted(powered: Powered) -> None:
    unit = powered("noisy_device@left=0.1")
    text = '[[step]]\nid = "b"\ndo = "noise_bursts"\nat = "out.left"\nwatch = "16 s"\n'
    read = unit.do(text).one("burst_rate")
    spec = unit.world._unit.spec.channel("left").noise
    warm = unit.truth.temperature("sink") - 25.0
    rate = spec.burst_rate_hz * 2.0 ** (warm / 12.0)
    # Small ones drown in the noise; none is invented.
    assert 0.3 * rate < read.value < rate + read.expanded_uncertainty


def test_no_burst_at_all_is_a_bound_of_nearly_four_per_time_watched(powered: Powered) -> None:
    text = '[[step]]\nid = "b"\ndo = "noise_bursts"\nat = "out.right"\nwatch = "10 s"\n'
    read = powered().do(text).one("burst_rate")
    assert read.bound is Bound.AT_MOST
    assert read.value == pytest.approx(-math.log(0.0228) / 10.0, rel=0.05)  # one-sided, as k = 2
