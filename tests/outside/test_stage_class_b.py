"""The simulated stage against the class-B relations of any power-amplifier handbook.

Taken to the ideal (no drop-out, no idle current, next to no ballast), the stage must show what the
handbooks derive for half-sine currents from split rails ±V into R.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from demo_sim.amplifier.building import build
from demo_sim.amplifier.electrics import Electrics, Rails, Wanted
from demo_sim.amplifier.spec import AmplifierSpec, DeviceSpec, LegSpec

V, R = 30.0, 8.0
SAMPLES = 2000
ANGLE = 2.0 * np.pi * (np.arange(SAMPLES) + 0.5) / SAMPLES


def ideal_amplifier() -> AmplifierSpec:
    spec = build({"channels": ["one"]}, np.random.default_rng(1))
    device = DeviceSpec(offset_v=0.0, ballast_ohm=1e-3)
    leg = LegSpec("", (device,), (device,), gain=20.0, bias_shift_v=-0.6)
    return replace(
        spec,
        channels=(replace(spec.channels[0], legs=(leg,)),),
        rails=replace(spec.rails, quiescent_a=0.0),
        path=replace(spec.path, drop_v=0.0, drop_ohm=0.0),
    )


def at_amplitude(peak: float) -> tuple[float, float, float]:
    """Power from the rails, into the load, and lost in the pair, W."""
    electrics = Electrics(ideal_amplifier())
    wanted = Wanted(peak * np.sin(ANGLE)[None, :], np.full((1, SAMPLES), 1.0 / SAMPLES))
    point = electrics.operate(
        wanted, Rails(V, -V), np.array([[1.0 / R]]), np.full((1, 2, 1), 25.0), np.array([25.0])
    )
    supplied = V * (point.pos_a + point.neg_a)
    loaded = float((point.volts * point.load_a).mean())
    return supplied, loaded, float(point.power_w.sum())


def test_efficiency_at_full_swing_is_pi_over_four() -> None:
    supplied, loaded, _ = at_amplitude(V)
    assert loaded / supplied == pytest.approx(np.pi / 4.0, rel=0.005)


def test_worst_dissipation_of_a_pair_is_two_v_squared_over_pi_squared_r() -> None:
    peaks = np.linspace(0.3, 1.0, 71) * V
    lost = [at_amplitude(float(peak))[2] for peak in peaks]
    assert max(lost) == pytest.approx(2.0 * V**2 / (np.pi**2 * R), rel=0.01)


def test_worst_dissipation_falls_at_forty_percent_of_full_power() -> None:
    peaks = np.linspace(0.3, 1.0, 141) * V
    lost = [at_amplitude(float(peak))[2] for peak in peaks]
    worst = peaks[int(np.argmax(lost))]
    assert worst == pytest.approx(2.0 * V / np.pi, rel=0.02)
    assert (worst / V) ** 2 == pytest.approx(0.405, abs=0.02)


def test_what_the_rails_give_is_in_the_load_or_in_the_devices() -> None:
    """Conservation of energy, at several amplitudes."""
    for peak in (2.0, 11.0, 24.0):
        supplied, loaded, lost = at_amplitude(peak)
        in_ballast = 1e-3 * (peak / R) ** 2 / 2.0
        assert supplied == pytest.approx(loaded + lost + in_ballast, rel=1e-3)
