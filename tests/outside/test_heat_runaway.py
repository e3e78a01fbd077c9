"""Thermal runaway when, and only when, V · dI/dT · Rth passes 1 (semiconductor handbooks, from
memory).

A pair is put at an equilibrium of chosen current and temperature; the least disturbance then grows
or dies out. The criterion is worked out here from the textbook slope of Vbe,
dVbe/dT = (Vbe − Eg/q − 3 kT/q) / T, and the pair's resistance kT/qI + R.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants

from demo_sim.amplifier.device import vbe
from demo_sim.amplifier.spec import DeviceSpec, LegSpec
from demo_sim.amplifier.stage import OutputStage
from demo_sim.heat import Heat, NetworkBuilder

RAIL, OHMS, AMBIENT = 30.0, 0.22, 25.0
IDLE, WARM = 0.1, 60.0  # A and °C at the equilibrium


def criterion_slope() -> float:
    """dI/dT of a device at constant base voltage, A/K."""
    kelvin = WARM + 273.15
    kt_q = constants.k * kelvin / constants.e
    falls = (1.12 + 3.0 * kt_q - vbe(IDLE, WARM)) / kelvin
    return falls / (kt_q / IDLE + OHMS)


def disturbed(k_per_w: float, seconds: float = 400.0) -> float:
    """How often larger a disturbance of 0.1 K is after some time."""
    device = DeviceSpec(0.0, OHMS)
    pair = OutputStage([LegSpec("", (device,), (device,), 20.0)], 0.025, OHMS)
    bias = np.array([2.0 * (vbe(IDLE, WARM) + IDLE * OHMS)])
    net = NetworkBuilder()
    for half in ("upper", "lower"):
        net.node(half, 10.0)
        net.path(half, net.AMBIENT, k_per_w)
    rest = WARM - AMBIENT
    heat = Heat(net.build(), np.full(2, rest + 0.1))
    elsewhere = rest / k_per_w - (RAIL * IDLE - IDLE**2 * OHMS)  # other heat that holds it there

    def power(rise: np.ndarray) -> np.ndarray:
        junction = (AMBIENT + np.minimum(rise, 150.0)).reshape(1, 2, 1)
        _, currents = pair.solve(np.zeros((1, 1)), bias, junction)
        amps = currents[0, :, 0, 0]
        return RAIL * amps - amps**2 * OHMS + elsewhere

    heat.advance(seconds, power)
    return float((heat.rise_k[0] - rest) / 0.1)


CRITICAL = 1.0 / (RAIL * criterion_slope())


@pytest.mark.parametrize("part", [0.5, 0.8, 0.95])
def test_below_the_criterion_a_disturbance_dies_out(part: float) -> None:
    assert abs(disturbed(part * CRITICAL)) < 1.0


@pytest.mark.parametrize("part", [1.05, 1.2, 2.0])
def test_above_the_criterion_a_disturbance_grows(part: float) -> None:
    assert disturbed(part * CRITICAL) > 1.0
