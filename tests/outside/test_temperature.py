"""Sensors against IEC 60751."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.measure import temperature
from seqrun.values import normal

# IEC 60751:2008, computed from its polynomial; below 0 °C the third power counts (the table's own
# figures, from memory).
PT100 = {
    -150: 39.72,
    -100: 60.26,
    -50: 80.31,
    0: 100.00,
    25: 109.73,
    50: 119.40,
    100: 138.51,
    150: 157.33,
}


@pytest.mark.parametrize(("celsius", "ohms"), PT100.items())
def test_pt100_table_of_iec_60751(celsius: float, ohms: float) -> None:
    assert temperature.pt100_resistance_ohm(celsius) == pytest.approx(ohms, abs=0.005)


@pytest.mark.parametrize(("celsius", "ohms"), PT100.items())
def test_pt100_table_read_backwards(celsius: float, ohms: float) -> None:
    # Half the last digit of the table, over 0.37 Ω/K.
    assert temperature.pt100_temperature_c(ohms) == pytest.approx(celsius, abs=0.014)


@given(st.floats(-200.0, 850.0))
def test_pt100_both_ways(celsius: float) -> None:
    ohms = temperature.pt100_resistance_ohm(celsius)
    assert temperature.pt100_temperature_c(ohms) == pytest.approx(celsius, abs=1e-9)


@given(st.floats(-199.0, 849.0))
def test_pt100_slope_is_the_derivative(celsius: float) -> None:
    step = 1e-3
    rise = temperature.pt100_resistance_ohm(celsius + step)
    fall = temperature.pt100_resistance_ohm(celsius - step)
    assert temperature.pt100_slope_ohm_per_k(celsius) == pytest.approx(
        (rise - fall) / (2.0 * step), rel=1e-6
    )


@pytest.mark.parametrize(
    ("kind", "celsius", "kelvin"),
    [("A", 0, 0.15), ("A", 100, 0.35), ("B", 0, 0.30), ("B", 100, 0.80)],
)
def test_pt100_class_tolerance(kind: str, celsius: float, kelvin: float) -> None:
    """±(0.15 + 0.002·T) and ±(0.30 + 0.005·T), IEC 60751:2008 (from memory)."""
    assert temperature.pt100_tolerance_k(celsius, kind) == pytest.approx(kelvin)


def test_pt100_class_b_at_100_degrees_has_a_rectangular_u_of_0_46_k() -> None:
    reading = temperature.pt100_reading(
        normal(138.51, 0.001, "meter"), "B", temperature.sensor_error("sink")
    )
    assert reading.std_dev == pytest.approx(0.80 / math.sqrt(3.0), rel=1e-3)
