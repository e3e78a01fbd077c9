"""How quantities are shown to people."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.quantity import Quantity, QuantityError, parse, render


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (0.0498, "V", "49.8 mV"),
        (0.0, "V", "0 V"),
        (-0.0123, "V", "-12.3 mV"),
        (1000.0, "Hz", "1 kHz"),
        (999.99999, "V", "1 kV"),
        (22e3, "Ω", "22 kΩ"),
        (2.5e-6, "s", "2.5 µs"),
        (600.0, "s", "10 min"),
        (0.5, "%", "0.5 %"),
        (0.0001234, "%", "0.0001234 %"),
        (41.234, "K", "41.23 K"),
        (-80.123, "dB", "-80.12 dB"),
        (2.0, "", "2"),
    ],
)
def test_a_value_is_shown_with_the_prefix_that_suits_it(
    value: float, unit: str, shown: str
) -> None:
    assert render(value, unit) == shown


def test_the_uncertainty_decides_the_digits() -> None:
    assert render(0.0498234, "V", uncertainty=0.00013) == "49.82 ± 0.13 mV"


def test_value_and_uncertainty_share_one_prefix_even_when_the_value_is_nearly_nothing() -> None:
    assert render(0.00001, "V", uncertainty=0.002) == "0.0 ± 2.0 mV"


def test_temperatures_and_levels_take_no_prefix() -> None:
    assert render(0.01, "K") == "0.01 K"
    assert render(1234.0, "dB") == "1234 dB"


@given(
    st.floats(1e-9, 1e6).flatmap(lambda x: st.sampled_from([x, -x])),
    st.sampled_from(["V", "A", "W", "Ω", "Hz", "s", "K", "°C", "dB", "%", ""]),
)
def test_what_is_shown_reads_back_as_the_same_quantity(value: float, unit: str) -> None:
    assert parse(render(value, unit, digits=9), unit) == pytest.approx(value, rel=1e-6)


def test_two_digits_of_two_hours_are_not_shown_as_a_power_of_ten() -> None:
    assert render(7200.0, "s", digits=2) == "120 min"


def test_percent_and_fraction_are_one_kind() -> None:
    assert Quantity(1.0, "%").in_unit("") == pytest.approx(0.01)
    assert Quantity(0.01, "").in_unit("%") == pytest.approx(1.0)


def test_volts_do_not_become_watts() -> None:
    with pytest.raises(QuantityError, match="a power"):
        Quantity(1.0, "V").in_unit("W")
