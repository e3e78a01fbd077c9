"""The thermal network against scipy.integrate.solve_ivp, and textbook single-pole results."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from demo_sim.amplifier.building import build
from demo_sim.heat import Heat, NetworkBuilder
from demo_sim.powered import thermal_network


def one_pole(k_per_w: float = 2.0, j_per_k: float = 50.0) -> Heat:
    net = NetworkBuilder()
    net.node("sink", j_per_k)
    net.path("sink", net.AMBIENT, k_per_w)
    return Heat(net.build())


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10_000), until=st.floats(0.5, 900.0))
def test_the_units_network_follows_solve_ivp_under_constant_power(seed: int, until: float) -> None:
    rng = np.random.default_rng(seed)
    network = thermal_network(build(None, rng))
    power = rng.uniform(0.0, 10.0, len(network.names))
    heat = Heat(network)
    heat.advance(until, lambda rise: power)

    def slope(_: float, rise: np.ndarray) -> np.ndarray:
        return (power - network.conductance @ rise) / network.capacity

    reference = solve_ivp(
        slope, (0.0, until), np.zeros(power.size), method="BDF", rtol=1e-8, atol=1e-8
    )
    np.testing.assert_allclose(heat.rise_k, reference.y[:, -1], rtol=1e-4, atol=1e-4)


def test_power_that_depends_on_temperature_follows_solve_ivp() -> None:
    """Feedback of the kind that idle current makes, below runaway."""
    network = thermal_network(build(None, np.random.default_rng(3)))
    base, feedback = np.linspace(0.2, 1.0, len(network.names)), 0.02

    def power(rise: np.ndarray) -> np.ndarray:
        return base * np.exp(feedback * np.minimum(rise, 60.0))

    heat = Heat(network)
    heat.advance(300.0, power)
    reference = solve_ivp(
        lambda _, rise: (power(rise) - network.conductance @ rise) / network.capacity,
        (0.0, 300.0),
        np.zeros(base.size),
        method="BDF",
        rtol=1e-8,
        atol=1e-8,
    )
    np.testing.assert_allclose(heat.rise_k, reference.y[:, -1], atol=0.05)


def test_a_single_sink_reaches_sixty_three_percent_after_one_time_constant() -> None:
    heat = one_pole()
    heat.advance(100.0, lambda rise: np.array([10.0]))
    assert heat.rise_k[0] == pytest.approx(20.0 * (1.0 - np.exp(-1.0)), rel=1e-9)


def test_the_same_end_whether_time_passes_in_one_step_or_in_many() -> None:
    at_once, in_steps = one_pole(), one_pole()
    at_once.advance(77.0, lambda rise: np.array([10.0]))
    for _ in range(770):
        in_steps.advance(0.1, lambda rise: np.array([10.0]))
    assert at_once.rise_k[0] == pytest.approx(in_steps.rise_k[0], rel=1e-9)


def test_steady_rise_is_power_times_thermal_resistance() -> None:
    assert one_pole().steady(np.array([10.0]))[0] == pytest.approx(20.0)
