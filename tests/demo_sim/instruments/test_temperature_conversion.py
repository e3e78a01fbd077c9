"""What a meter makes of a temperature sensor's resistance or voltage."""

import math

import pytest

from demo_sim.instruments import temperature


@pytest.mark.parametrize("celsius", [-190.0, -40.0, -0.5, 0.5, 600.0])
def test_platinum_conversion_returns_the_temperature(celsius):
    ohms = temperature.platinum_resistance(celsius)
    assert temperature.platinum_temperature(ohms) == pytest.approx(celsius, abs=1e-6)


def test_thermocouple_with_both_ends_alike_shows_the_terminal_temperature():
    assert temperature.thermocouple_temperature(0.0, 23.0) == pytest.approx(23.0, abs=1e-6)


@pytest.mark.parametrize("r25", temperature.THERMISTORS)
def test_thermistor_shows_25_degrees_at_its_nominal_resistance(r25):
    assert temperature.thermistor_temperature(float(r25), r25) == pytest.approx(25.0, abs=0.05)


def test_open_sensor_is_no_temperature():
    assert math.isnan(temperature.platinum_temperature(math.inf))
    assert math.isnan(temperature.thermistor_temperature(math.inf))
