"""Noise behind the filter of a converter that is hardly faster than twice the band."""

from __future__ import annotations

import math

import pytest

from seqrun.measure.bounds import Bounded
from seqrun.measure.noise import with_the_end
from seqrun.values import exactly


def test_white_noise_of_a_slow_converter_lacks_what_its_filter_may_take() -> None:
    """At 44.1 kHz it passes 19.845 kHz whole: of white noise √(19.845/22) of the rms is sure, so
    half of the rest is added and is the rectangular half-width."""
    found = with_the_end(Bounded(exactly(1e-3)), 44100.0).value
    half = 0.5 * (1.0 - math.sqrt(19.845 / 22.0))
    assert found.nominal_value == pytest.approx(1e-3 * (1.0 + half), rel=1e-9)
    assert found.std_dev == pytest.approx(1e-3 * half / math.sqrt(3.0), rel=1e-9)


@pytest.mark.parametrize("rate_hz", [48.9e3, 96e3])
def test_a_faster_one_lacks_nothing(rate_hz: float) -> None:
    level = Bounded(exactly(1e-3))
    assert with_the_end(level, rate_hz) is level
