"""How quantities are read, with the spellings that trip up other readers."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import FileError
from seqrun.quantity import EXAMPLES, SPELLINGS, QuantityError, parse, read


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("50 mV", "V", 0.05),
        ("-50 mV", "V", -0.05),
        ("−50 mV", "V", -0.05),  # a typographic minus
        ("25mA", "A", 0.025),
        ("8 Ω", "Ω", 8.0),
        ("8 \u2126", "Ω", 8.0),  # the ohm sign
        ("8 ohm", "Ω", 8.0),
        ("22 kΩ", "Ω", 22e3),
        ("0.22 ohm", "Ω", 0.22),
        ("1 kHz", "Hz", 1000.0),
        ("2 MHz", "Hz", 2e6),
        ("2 mHz", "Hz", 0.002),
        ("3 µs", "s", 3e-6),
        ("3 us", "s", 3e-6),
        ("10 min", "s", 600.0),
        ("1.5 h", "s", 5400.0),
        ("40 K", "K", 40.0),
        ("5 mK", "K", 0.005),
        ("85 °C", "°C", 85.0),
        ("-80 dB", "dB", -80.0),
        ("0.1 %", "%", 0.1),
        ("0.1 %", "", 0.001),
        ("10%", "", 0.1),
        ("0.5", "", 0.5),
        ("1e3 V", "V", 1000.0),
        ("0.6 K/W", "K/W", 0.6),
    ],
)
def test_a_quantity_is_read_in_base_units(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == pytest.approx(value, rel=1e-12)


def test_ten_minutes_is_not_ten_milli_inch() -> None:
    assert read("10 min").unit == "s"


def test_forty_kelvin_is_not_forty_thousand() -> None:
    assert read("40 K").value == 40.0


def test_a_current_where_a_voltage_belongs_says_both() -> None:
    with pytest.raises(QuantityError) as error:
        parse("50 mA", "V")
    assert '"50 mA" is a current' in error.value.found
    assert "a voltage" in error.value.wanted


def test_a_rise_is_not_a_temperature() -> None:
    with pytest.raises(QuantityError, match="rises are in K, temperatures in °C"):
        parse("40 °C", "K")


def test_a_number_without_its_unit_is_refused() -> None:
    with pytest.raises(QuantityError, match="has no unit"):
        parse("30", "V")


def test_m_is_the_metre_and_the_message_says_what_minutes_are() -> None:
    with pytest.raises(QuantityError, match="minutes are min"):
        parse("10 m", "s")


@pytest.mark.parametrize(
    "text",
    [
        "0,5 V",  # a decimal comma would otherwise be read as 5 V
        "1,000 V",
        "inf V",
        "nan V",
        "∞ V",
        "1e999 V",
        "",
        "V",
        "fifty mV",
        "0x10 V",
        "5 V V",
        "50 mv",
        "5 kmin",
        "5 k%",
        "3 mol",
        "5 k",
        "1 Pa",
        "$5",
        "5 V; rm",
        "1" * 100 + " V",
    ],
)
def test_what_is_not_a_quantity_is_refused(text: str) -> None:
    with pytest.raises(QuantityError):
        parse(text, "V")


@given(st.text(max_size=80), st.sampled_from(sorted(EXAMPLES)))
def test_no_text_raises_anything_but_an_error_that_explains(text: str, unit: str) -> None:
    try:
        value = parse(text, unit)
    except FileError as problem:
        assert problem.found
        assert problem.expected
    else:
        assert math.isfinite(value)


@given(
    st.floats(-1e6, 1e6, allow_nan=False).map(lambda x: float(f"{x:.6g}")),
    st.sampled_from(sorted(s for s in SPELLINGS if s)),
)
def test_number_and_unit_come_back_as_written(number: float, spelling: str) -> None:
    base, factor = SPELLINGS[spelling]
    found = read(f"{number!r} {spelling}")
    assert found.unit == base
    assert found.value == pytest.approx(number * factor, rel=1e-12, abs=1e-300)
