"""The static solution against a solver and equations that are not ours.

The textbook equations of an exponential device with an emitter resistor, written down here anew and
given to ``scipy.optimize``; and the class-AB relation iN · iP = IQ² with the figures of a worked
example in a standard textbook (Sedra and Smith, Microelectronic Circuits, output stages; from
memory: IQ = 9 mA, iL = 100 mA, gives iN = 100.8 mA and iP = 0.8 mA).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import constants, optimize

from demo_sim.amplifier.device import log_saturation_current, vbe, wright_omega
from demo_sim.amplifier.spec import DeviceSpec, LegSpec
from demo_sim.amplifier.stage import OutputStage

KELVIN = 273.15


def stage(offsets: list[list[float]], ohms: float) -> OutputStage:
    upper, lower = (tuple(DeviceSpec(o, ohms) for o in half) for half in offsets)
    return OutputStage([LegSpec("", upper, lower, 20.0)], 0.025, ohms)


def independent(
    offsets: list[list[float]], ohms: float, bias: float, load: float, celsius: float
) -> np.ndarray:
    """Device currents by ``scipy.optimize.root`` on Kirchhoff's laws; unknowns in log current.

    Saturation current from Vbe = 0.6 V at 25 mA, 25 °C, and Is ∝ T³ exp(−1.12 eV/kT).
    """
    kt_q = constants.k * (celsius + KELVIN) / constants.e
    warm = constants.k * (25.0 + KELVIN) / constants.e
    gap = 1.12
    saturation = 0.025 * np.exp(-0.6 / warm) * ((celsius + KELVIN) / (25.0 + KELVIN)) ** 3
    saturation *= np.exp(gap / warm - gap / kt_q)
    flat = np.array(offsets[0] + offsets[1])
    sign = np.array([1.0] * len(offsets[0]) + [-1.0] * len(offsets[1]))

    def kirchhoff(x: np.ndarray) -> np.ndarray:
        current, middle = np.exp(x[:-1]), x[-1]
        across = kt_q * np.log(current / saturation) - flat + current * ohms
        return np.append(across - (bias / 2.0 + sign * middle), (sign * current).sum() - load)

    first = np.full(flat.size, np.log(0.02))
    first[sign * load > 0] = np.log(0.02 + abs(load) / len(offsets[0]))
    found = optimize.root(kirchhoff, np.append(first, 0.0), tol=1e-13)
    assert np.abs(kirchhoff(found.x)).max() < 1e-9
    return np.exp(found.x[:-1])


@settings(max_examples=30, deadline=None)
@given(
    offsets=st.lists(st.floats(-0.01, 0.01), min_size=4, max_size=4),
    ohms=st.floats(0.1, 0.5),
    load=st.floats(-2.0, 2.0),
    celsius=st.floats(0.0, 100.0),
    shift=st.floats(-0.05, 0.05),
)
@example(
    offsets=[0.001953125, 0.001953125, -0.0078125, -0.005859375],
    ohms=0.1015625,
    load=0.16796875,
    celsius=0.0,
    shift=0.0,
)  # where a search that ended a little earlier was 1.02 millionths off
def test_currents_of_four_unlike_devices_satisfy_kirchhoff(
    offsets: list[float], ohms: float, load: float, celsius: float, shift: float
) -> None:
    halves = [offsets[:2], offsets[2:]]
    solved = stage(halves, ohms)
    bias = 2.0 * (vbe(0.025, celsius) + 0.025 * ohms) + shift
    _, currents = solved.solve(np.array([[load]]), np.array([bias]), np.full((1, 2, 2), celsius))
    expected = independent(halves, ohms, bias, load, celsius)
    np.testing.assert_allclose(currents.ravel(), expected, rtol=1e-6, atol=1e-12)


def test_textbook_class_ab_currents_under_load() -> None:
    """iN − iP = iL with iN · iP = IQ² for resistors small enough to forget."""
    pair = stage([[0.0], [0.0]], 1e-6)
    bias = 2.0 * vbe(0.009, 25.0)
    _, currents = pair.solve(np.array([[0.1]]), np.array([bias]), np.full((1, 2, 1), 25.0))
    upper, lower = currents.ravel()
    assert upper == pytest.approx(0.1008, abs=1e-4)
    assert lower == pytest.approx(0.0008, abs=1e-5)
    assert upper * lower == pytest.approx(0.009**2, rel=1e-3)


def test_wright_omega_matches_scipy() -> None:
    from scipy.special import wrightomega

    x = np.linspace(-60.0, 300.0, 20_001)
    np.testing.assert_allclose(wright_omega(x), wrightomega(x), rtol=1e-11)


def test_wright_omega_of_few_values_is_that_of_many() -> None:
    x = np.linspace(-720.0, 300.0, 5_001)
    one_by_one = np.concatenate([wright_omega(part) for part in np.array_split(x, 50)])
    np.testing.assert_allclose(wright_omega(x), one_by_one, rtol=1e-11)


def test_base_emitter_voltage_falls_by_about_two_millivolts_per_kelvin() -> None:
    """Common practice for silicon at moderate current."""
    slope = vbe(0.025, 26.0) - vbe(0.025, 25.0)
    assert slope == pytest.approx(-2.0e-3, abs=0.1e-3)
    assert float(log_saturation_current(35.0)) > float(log_saturation_current(25.0))
