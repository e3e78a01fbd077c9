"""Least crossover distortion of an exponential class-AB pair.

B. M. Oliver, "Distortion in complementary-pair class-B amplifiers", Hewlett-Packard Journal,
February 1971 (from memory): the output resistance, hence the gain, varies least when about kT/q
stands across each emitter resistor at idle.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants, optimize

from demo_sim.amplifier.device import vbe
from demo_sim.amplifier.spec import DeviceSpec, LegSpec
from demo_sim.amplifier.stage import OutputStage

KT_Q = constants.k * 298.15 / constants.e
POINTS = 2048


def crossover(ballast_volts: float, ohms: float, peak_a: float) -> float:
    """Harmonics of the base voltage that a sine of current needs, V rms."""
    device = DeviceSpec(0.0, ohms)
    pair = OutputStage([LegSpec("", (device,), (device,), 20.0)], 0.025, ohms)
    bias = 2.0 * (vbe(ballast_volts / ohms, 25.0) + ballast_volts)
    load = peak_a * np.sin(2.0 * np.pi * np.arange(POINTS) / POINTS)
    base, _ = pair.solve(load[None, :], np.array([bias]), np.full((1, 2, 1), 25.0))
    harmonics = np.abs(np.fft.rfft(base[0])) * np.sqrt(2.0) / POINTS
    return float(np.sqrt((harmonics[2:200] ** 2).sum()))


@pytest.mark.parametrize("ohms", [0.1, 0.22, 0.47])
def test_least_crossover_distortion_near_kt_over_q_across_each_ballast(ohms: float) -> None:
    best = optimize.minimize_scalar(
        lambda v: crossover(v, ohms, 1.0 / ohms * 0.5), bounds=(2e-3, 0.1), method="bounded"
    )
    assert 0.7 * KT_Q < best.x < 1.4 * KT_Q


def test_too_little_bias_is_worse_than_the_best_and_much_worse_than_a_little_too_much() -> None:
    best, starved, rich = (crossover(f * KT_Q, 0.22, 2.0) for f in (1.0, 0.02, 1.5))
    assert starved > 3.0 * best
    assert rich < starved
