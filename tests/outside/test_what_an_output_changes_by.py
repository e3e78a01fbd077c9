"""Changes of an output, and sines that are cut off, against what is written down of them.

Sources: orthogonality of sines over whole periods (Fourier): the rms of a sum is the root of the
sum of squares, so that DC, tone and rest of a record that holds whole periods part.
A sine of peak 1 that is cut off at d follows itself between -d and d, and is beyond 0.9 d from
asin 0.9 d to π - asin 0.9 d (any handbook of trigonometry).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from seqrun.errors import NotMeasured
from seqrun.measure.changed import OutputState, change_v, output_state, sticking_s
from seqrun.measure.timing import silent_for
from seqrun.values import COVERAGE_FACTOR, Bound

Array = NDArray[np.float64]
RATE_HZ, TONE_HZ = 25e3, 1000.0
T = np.arange(2500) / RATE_HZ


def sine(volts_rms: float, hertz: float, phase: float = 0.4) -> Array:
    return np.asarray(math.sqrt(2.0) * volts_rms * np.sin(2.0 * math.pi * hertz * T + phase))


def noise(volts_rms: float, seed: int = 3) -> Array:
    return np.random.default_rng(seed).normal(0.0, volts_rms, T.size)


def state(*parts: Array, dc_v: float = 0.0, clipped: bool = False) -> OutputState:
    volts = np.asarray(sum(parts) + dc_v)
    return output_state(volts, RATE_HZ, TONE_HZ, clipped=clipped)


def value(change: object) -> float:
    return float(change.value.nominal_value)  # type: ignore[attr-defined]


def test_dc_tone_and_rest_of_a_record_part() -> None:
    found = state(sine(0.05, 1000.0), sine(0.012, 100.0), dc_v=-0.031)
    assert found.dc_v.nominal_value == pytest.approx(-0.031, abs=1e-5)
    assert found.tone_v.nominal_value == pytest.approx(0.05, rel=1e-3)
    assert found.rest_v.nominal_value == pytest.approx(0.012, rel=1e-2)


@pytest.mark.parametrize(
    ("dc_v", "tone_v", "hum_v"),
    [(0.03, 0.0, 0.0), (0.0, 0.04, 0.0), (0.0, 0.0, 0.012), (3e-3, 4e-3, 12e-3)],
)
def test_changes_of_dc_tone_and_rest_add_in_squares(
    dc_v: float, tone_v: float, hum_v: float
) -> None:
    before = state(sine(0.05, 1000.0), noise(2e-4))
    now = state(sine(0.05 - tone_v, 1000.0), sine(hum_v, 100.0), noise(2e-4, 4), dc_v=dc_v)
    change = change_v(before, now, 0.001)
    wanted = math.sqrt(dc_v**2 + tone_v**2 + hum_v**2)
    assert abs(value(change) - wanted) < COVERAGE_FACTOR * change.value.std_dev
    assert value(change) == pytest.approx(wanted, rel=0.01)
    assert change.bound is Bound.EXACT


def test_what_becomes_quieter_has_changed_by_nothing_of_the_rest() -> None:
    before = state(sine(0.05, 1000.0), sine(0.02, 100.0))
    assert value(change_v(before, state(sine(0.05, 1000.0)), 0.0)) < 5e-5


def test_the_tone_does_not_count_where_it_is_another_s() -> None:
    before, now = state(noise(1e-4)), state(sine(0.05, 1000.0), noise(1e-4, 4))
    assert value(change_v(before, now, 0.0, tone=False)) < 1e-4
    assert value(change_v(before, now, 0.0)) == pytest.approx(0.05, rel=0.01)


def test_a_change_that_is_larger_than_the_range_is_so_much_at_the_least() -> None:
    before = state(sine(0.05, 1000.0))
    now = state(sine(0.05, 1000.0), dc_v=0.15, clipped=True)
    assert change_v(before, now, 0.0).bound is Bound.AT_LEAST
    with pytest.raises(NotMeasured, match="beyond the range of a quiet look to begin with"):
        change_v(now, before, 0.0)


def test_what_the_instruments_may_have_moved_by_counts_by_the_tone_alone() -> None:
    one = state(sine(0.05, 1000.0))
    u = change_v(one, one, 0.02).value.std_dev
    assert u == pytest.approx(0.02 * 0.05, rel=0.01)


def cut(depth: float, late: float = 0.0, sticks_s: float = 0.0, end: int = 0) -> Array:
    """A kilohertz of peak 1 cut off at ±depth, later by a part of its period; it stays at both
    ends, or the one of that sign, for so long after it should come back."""
    angle = 2.0 * math.pi * (TONE_HZ * np.arange(20_000) / CUT_HZ - late)
    found = np.clip(np.sin(angle), -depth, depth)
    there = np.abs(found) >= depth - 1e-12
    for last in np.flatnonzero(there & ~np.roll(there, -1)):
        if end == 0 or found[last] * end > 0.0:
            found[(last + 1 + np.arange(round(sticks_s * CUT_HZ))) % found.size] = found[last]
    return np.asarray(found)


CUT_HZ = 200e3


def sticks(wave: Array) -> float:
    found = sticking_s(wave, CUT_HZ, TONE_HZ)
    assert found.std_dev == pytest.approx(1.0 / CUT_HZ / math.sqrt(3.0))
    return float(found.nominal_value)


@pytest.mark.parametrize("depth", [1.0, 0.95, 0.7, 0.4])
@pytest.mark.parametrize("late", [0.0, 0.13])
def test_a_sine_that_is_cut_off_and_comes_back_at_once_does_not_stick(
    depth: float, late: float
) -> None:
    assert abs(sticks(cut(depth, late))) < 2.0 / CUT_HZ


@pytest.mark.parametrize("depth", [0.9, 0.7, 0.5])
@pytest.mark.parametrize("end", [0, 1, -1])
@pytest.mark.parametrize("seconds", [3e-5, 1e-4, 1.2e-4])
def test_the_time_that_one_sticks_is_read(depth: float, end: int, seconds: float) -> None:
    # Near its ends it was going to be for a moment more by itself: from depth to 0.9 of it.
    own = (math.asin(depth) - math.asin(0.9 * depth)) / (2.0 * math.pi * TONE_HZ)
    assert sticks(cut(depth, 0.1, seconds, end)) == pytest.approx(seconds - own, abs=1.2e-5)


def test_one_that_sticks_until_the_other_half_wave_sticks_for_at_least_so_long() -> None:
    assert sticks(cut(0.7, 0.1, 2e-4)) > 1.8e-4


def test_a_tone_that_is_lost_three_times_for_twenty_milliseconds_was_lost_for_sixty() -> None:
    volts = np.tile(sine(0.5, 1000.0), 10)
    for begin in (0.1, 0.5, 0.9):
        first = round(begin * RATE_HZ)
        volts[first : first + round(0.02 * RATE_HZ)] = 0.0
    lost = silent_for(volts, RATE_HZ, TONE_HZ)
    assert lost.times == 3
    assert abs(lost.seconds.nominal_value - 0.06) < COVERAGE_FACTOR * lost.seconds.std_dev
    assert lost.listened_s == pytest.approx(1.0)


def test_a_tone_that_stays_is_lost_for_no_time() -> None:
    lost = silent_for(np.tile(sine(0.5, 1000.0), 10), RATE_HZ, TONE_HZ)
    assert (lost.times, lost.seconds.nominal_value) == (0, 0.0)
