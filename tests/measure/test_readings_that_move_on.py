"""A reading that would not settle: did it climb all the while, fall, or go nowhere."""

from __future__ import annotations

import numpy as np
import pytest

from seqrun.measure.settle import moving

TIMES = [0.1 * n for n in range(100)]


def course(slope: float, noise: float = 0.0, seed: int = 1) -> list[float]:
    scatter = np.random.default_rng(seed).normal(0.0, noise, len(TIMES))
    return [0.1 + slope * t + float(s) for t, s in zip(TIMES, scatter, strict=True)]


@pytest.mark.parametrize("slope", [2e-3, -2e-3])
def test_what_moves_one_way_all_the_while_has_moved_so_far(slope: float) -> None:
    assert moving(TIMES, course(slope, 0.5e-3)) == pytest.approx(slope * 9.9, rel=0.05)


def test_noise_goes_nowhere() -> None:
    seen = [moving(TIMES, course(0.0, 5e-3, seed)) for seed in range(200)]
    assert sum(change != 0.0 for change in seen) <= 4


def test_what_climbs_and_comes_back_or_comes_to_rest_does_not_climb_on() -> None:
    assert moving(TIMES, [abs(t - 5.0) for t in TIMES]) == 0.0
    assert moving(TIMES, [min(t, 4.0) for t in TIMES]) == 0.0


def test_a_few_readings_tell_no_way() -> None:
    assert moving(TIMES[:9], course(1.0)[:9]) == 0.0
