"""Long tables of the output stage are read off a curve: each sample as if it were solved alone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from demo_sim.amplifier.spec import DeviceSpec, LegSpec
from demo_sim.amplifier.stage import OutputStage

SINE = np.sin(2.0 * math.pi * np.arange(3000) / 3000.0)


@pytest.mark.parametrize("peak_a", [0.0, 1e-4, 0.05, 0.6, 5.0])
@pytest.mark.parametrize("bias_v", [-0.6, -0.2, 0.0, 0.15])
def test_a_sample_of_a_long_table_is_what_it_is_alone(peak_a: float, bias_v: float) -> None:
    upper = (DeviceSpec(0.004, 0.22), DeviceSpec(0.0, 0.2))
    legs = [LegSpec("", upper, upper[::-1], 20.0), LegSpec("", upper, upper, 20.0)]
    stage = OutputStage(legs, 0.025, 0.22)
    junction_c = np.linspace(30.0, 90.0, stage.ballast.size).reshape(stage.ballast.shape)
    bias = stage.bias(np.full(2, 40.0)) + bias_v
    load_a = peak_a * np.stack((SINE, 0.3 * SINE + 0.1))
    base_v, device_a = stage.solve(load_a, bias, junction_c)
    read_v, curve = stage.solve_many(load_a, bias, junction_c)
    np.testing.assert_allclose(read_v, base_v, atol=2e-7)
    np.testing.assert_allclose(curve.currents(), device_a, rtol=1e-5, atol=1e-8)


def test_an_open_device_gives_nothing_in_a_long_table_either() -> None:
    half, broken = (DeviceSpec(0.0, 0.22),) * 2, (DeviceSpec(0.0, 0.22, state="open"),)
    stage = OutputStage([LegSpec("", half[:1] + broken, half, 20.0)], 0.025, 0.22)
    junction_c = np.full(stage.ballast.shape, 40.0)
    _, curve = stage.solve_many(2.0 * SINE[None, :], stage.bias(np.full(1, 40.0)), junction_c)
    device_a = curve.currents()
    assert device_a[0, 0, 1].max() < 1e-12
    np.testing.assert_allclose(device_a[0, 0].sum(0) - device_a[0, 1].sum(0), 2.0 * SINE, atol=1e-6)


def test_a_stage_that_has_become_warm_answers_as_one_that_was_never_cold() -> None:
    half = (DeviceSpec(0.004, 0.22), DeviceSpec(0.0, 0.2))
    legs = [LegSpec("", half, half[::-1], 20.0)]
    used, fresh = OutputStage(legs, 0.025, 0.22), OutputStage(legs, 0.025, 0.22)
    for celsius, sensed in ((25.0, 25.0), (80.0, 25.0), (80.0, 60.0)):
        junction_c, sensor_c = np.full(used.ballast.shape, celsius), np.full(1, sensed)
        load_a = np.array([[0.0, 0.5, -0.5]])
        before = used.solve(load_a, used.bias(sensor_c), junction_c)
    after = fresh.solve(load_a, fresh.bias(sensor_c), junction_c)
    np.testing.assert_array_equal(before[1], after[1])
    np.testing.assert_array_equal(used.bias(sensor_c, 0.5), 0.5 * fresh.bias(sensor_c))
