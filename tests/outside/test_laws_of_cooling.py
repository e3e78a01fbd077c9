"""Devices told apart by cooling, and heatsinks that cool, against the equations of any text.

Sources: Newton's law of cooling, m c dT/dt = -(T - room) / R (any heat-transfer text), solved by
SciPy's general solver; the exponential law of a junction, I = Is exp(V / (kT/q)), whose voltage at
one current falls by about 2 mV/K (any text on bipolar devices), solved for each device by itself.
"""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from uncertainties import UFloat

from seqrun.measure.cooling import UNLIKE, Cooled, compared
from seqrun.measure.cooling_down import rise_left, seconds_until
from seqrun.values import COVERAGE_FACTOR, normal

K_OVER_Q = 8.617333262e-5  # V/K (CODATA)
PER_KELVIN, OHM, BASE_V = -2e-3, 0.33, 0.62


@pytest.mark.parametrize("tau_s", [300.0, 540.0, 900.0])
def test_a_heatsink_cools_by_newtons_law(tau_s: float) -> None:
    rise, ends = 45.0, (0.0, 3.0 * tau_s)
    by_law = solve_ivp(lambda _, y: -y / tau_s, ends, [rise], rtol=1e-9, dense_output=True)
    for seconds in (0.0, 0.7 * tau_s, ends[1]):
        assert rise_left(rise, seconds, tau_s) == pytest.approx(by_law.sol(seconds)[0], rel=1e-6)
    until = brentq(lambda t: by_law.sol(t)[0] - 3.0, 1.0, ends[1])
    assert seconds_until(rise, 3.0, tau_s) == pytest.approx(until, rel=1e-6)
    assert seconds_until(3.0, 3.0, tau_s) == 0.0


def current(saturation_a: float, colder_k: float) -> float:
    """Of one device behind its emitter resistor, A, at a held bias: warm at 320 K, or colder."""

    def over(amperes: float) -> float:
        junction = BASE_V + PER_KELVIN * colder_k - OHM * amperes
        return saturation_a * math.exp(junction / (K_OVER_Q * 320.0)) - amperes

    return float(brentq(over, 0.0, 1.0))


def cooled_in_turn(saturations: list[float], colder_k: float = 15.0) -> list[Cooled]:
    def read(amperes: float) -> UFloat:
        return 0.05 + amperes + normal(0.0, 20e-6, "read-back")  # beside the rest of the unit

    found = []
    for cold in range(len(saturations)):
        warm = math.fsum(current(s, 0.0) for s in saturations)
        now = math.fsum(current(s, colder_k * (n == cold)) for n, s in enumerate(saturations))
        found.append(Cooled(read(warm), read(now), read(warm), (0.0, 25.0, 110.0)))
    return found


def shares(saturations: list[float]) -> list[UFloat]:
    told = compared(cooled_in_turn(saturations), ["bank"] * len(saturations))
    assert all(one.share is not None for one in told)
    return [one.share for one in told if one.share is not None]


ALIKE = 0.03 * math.exp((OHM * 0.03 - BASE_V) / (K_OVER_Q * 320.0))  # 30 mA at the bias above


def test_devices_that_carry_alike_fall_alike_when_they_are_cooled_alike() -> None:
    assert current(ALIKE, 0.0) == pytest.approx(0.03)
    for share in shares([ALIKE] * 4):
        assert abs(share.nominal_value) < 1e-6
        # not less than what hands leave open, of one against the mean of three
        least = COVERAGE_FACTOR * UNLIKE / math.sqrt(3.0) * math.sqrt(4.0 / 3.0)
        assert COVERAGE_FACTOR * share.std_dev >= least


def test_one_that_carries_nothing_changes_nothing_and_one_that_carries_most_falls_most() -> None:
    dead, *others = shares([1e-30, ALIKE, ALIKE, ALIKE])
    assert dead.nominal_value == pytest.approx(-1.1, abs=0.02)  # less the heatsink's part
    assert all(abs(one.nominal_value) < 1e-6 for one in others)
    shared = shares([3.0 * ALIKE, ALIKE, ALIKE, ALIKE])
    assert max(range(4), key=lambda n: shared[n].nominal_value) == 0
    assert shared[0].nominal_value > 0.5
