"""Quantities and arithmetic in limits: what they come to, and what is refused."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import FileError
from seqrun.files.expression import LONGEST_EXPRESSION, Expression
from seqrun.quantity import Quantity

NAMES = {
    "rated_power": Quantity(40.0, "W"),
    "rated_load": Quantity(8.0, "Ω"),
    "rated_voltage": Quantity(math.sqrt(320.0), "V"),
    "idle_current": Quantity(0.025, "A"),
    "sink_rise_limit": Quantity(40.0, "K"),
    "output_devices": Quantity(2.0, ""),
    "gain": Quantity(29.0, "dB"),
    "idle_cold.left": Quantity(0.1, "A"),
    "idle-cold": Quantity(0.2, "A"),
    "ballast.left.upper.1": Quantity(0.005, "V"),
    "thd.0.1W": Quantity(0.02, "%"),
    "sink": Quantity(60.0, "°C"),
    "ambient": Quantity(25.0, "°C"),
}
UNITS = {name: quantity.unit for name, quantity in NAMES.items()}


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("50 mV", "V", 0.05),
        ("-50 mV", "V", -0.05),
        ("rated_power", "W", 40.0),
        ("0.9 * rated_power", "W", 36.0),
        ("90 % * rated_power", "W", 36.0),
        ("rated_power / 8", "W", 5.0),
        ("sqrt(rated_power * rated_load)", "V", math.sqrt(320.0)),
        ("rated_voltage ** 2 / rated_load", "W", 40.0),
        ("(rated_power * rated_load) ** 0.5", "V", math.sqrt(320.0)),
        ("1.5 * idle_cold.left + 5 mA", "A", 0.155),
        ("idle-cold - idle_cold.left", "A", 0.1),
        ("ballast.left.upper.1 / 0.2 Ω", "A", 0.025),
        ("max(50 mV, 0.01 * rated_voltage)", "V", 0.01 * math.sqrt(320.0)),
        ("min(1 V, 2 V, 500 mV)", "V", 0.5),
        ("abs(-5 mA)", "A", 0.005),
        ("2 * thd.0.1W", "%", 0.04),
        ("sink - ambient", "K", 35.0),
        ("ambient + sink_rise_limit", "°C", 65.0),
        ("gain - 3 dB", "dB", 26.0),
        ("output_devices * idle_current", "A", 0.05),
        ("-(2 A)", "A", -2.0),
        ("1 / 10 ms", "Hz", 100.0),
    ],
)
def test_a_limit_comes_to_a_quantity(text: str, unit: str, value: float) -> None:
    expression = Expression(text)
    assert expression.evaluate_in(unit, NAMES) == pytest.approx(value, rel=1e-12)
    expression.check(unit, UNITS)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("0.9 * rated_voltage", "W", "comes to a voltage"),
        ("50 mA", "V", "is a current"),
        ("rated_power + rated_voltage", "W", "a power plus a voltage"),
        ("sink + ambient", "°C", "temperature in °C"),
        ("2 * ambient", "°C", "temperature in °C"),
        ("max(1 V, 2 A)", "V", "a voltage beside a current"),
        ("sink", "K", "comes to a temperature"),
        ("gain * rated_power", "W", "comes to"),
        ("2 ** rated_power", "", "an exponent that is a power"),
    ],
)
def test_kinds_that_do_not_go_together_are_refused_before_values_exist(
    text: str, unit: str, says: str
) -> None:
    with pytest.raises(FileError, match=says):
        Expression(text).check(unit, UNITS)


def test_the_same_text_comes_to_what_its_names_are_on_each_unit() -> None:
    text = "2 * step_before"
    assert Expression(text).kind({"step_before": "V"}) == "V"
    assert Expression(text).kind({"step_before": "A", "other": "V"}) == "A"
    with pytest.raises(FileError, match="unknown name 'step_before'"):
        Expression(text).kind({"other": "V"})


def test_an_unknown_name_brings_the_nearest_known_one() -> None:
    with pytest.raises(FileError, match="'rated_power'") as error:
        Expression("0.9 * rated_powr").evaluate(NAMES)
    assert "rated_powr" in error.value.found


def test_a_minus_that_became_part_of_a_name_is_explained() -> None:
    with pytest.raises(FileError, match="a minus between names wants spaces"):
        Expression("rated_power-rated_power").evaluate(NAMES)


def test_what_an_expression_needs_is_known_without_evaluating_it() -> None:
    assert Expression("1.5 * idle_cold.left + idle-cold").names() == {"idle_cold.left", "idle-cold"}
    assert Expression("50 mV").names() == frozenset()


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('true')",
        "().__class__.__bases__",
        "open('x')",
        "eval(1)",
        "exec",
        "lambda: 1",
        "[x for x in (1,)]",
        "rated_power.__class__",
        "'a' * 9",
        "1 if 1 else 2",
        "1 and 2",
        "1 == 1",
        "a := 1",
        "a = 1",
        "import os",
        "1; 2",
        "f'{1}'",
        "~1",
        "5 % 3",
        "7 // 2",
        "1 << 2",
        "min",
        "min()",
        "abs(1, 2)",
        "sqrt(*rated_power)",
        "max(**rated_power)",
        "()",
        "(1, 2)",
        "1,",
        "(",
        "1 +",
        "",
        "{channel}",
        "rated_power\n+ open",
        "\x00",
    ],
)
def test_anything_but_arithmetic_is_refused(text: str) -> None:
    with pytest.raises(FileError):
        Expression(text).evaluate(NAMES)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("9 ** 9 ** 9", "exponent"),
        ("2 ** 9", "exponent"),
        ("1e300 * 1e300", "finite"),
        ("(1e300 * 1 V) ** 8", "too large"),
        ("1 / 0", "zero"),
        ("1 / (2 - 2)", "zero"),
        ("0 ** -1", "zero"),
        ("sqrt(0 - 4)", "negative"),
        ("(0 - 8) ** 0.5", "negative"),
        ("(" * 60 + "1" + ")" * 60, "parentheses"),
        ("1 + " * LONGEST_EXPRESSION + "1", "characters"),
    ],
)
def test_arithmetic_that_leads_nowhere_is_refused_at_once(text: str, says: str) -> None:
    with pytest.raises(FileError, match=says):
        Expression(text).evaluate(NAMES)


_fragments = st.sampled_from(
    [
        *NAMES,
        *"()+-*/,.{}0%e'_ \n",
        *("**", "min(", "max(", "sqrt(", "abs(", "1", "2.5", "1e9", "V", "mA", "°C", "__"),
    ]
)


@given(st.one_of(st.text(max_size=60), st.lists(_fragments, max_size=25).map("".join)))
def test_no_text_does_anything_but_come_to_a_quantity_or_be_refused(text: str) -> None:
    try:
        found = Expression(text).evaluate(NAMES)
    except FileError as problem:
        assert problem.found
    else:
        assert math.isfinite(found.value)


@given(st.lists(_fragments, max_size=25).map("".join))
def test_the_kind_known_beforehand_is_the_kind_that_comes_out(text: str) -> None:
    try:
        found = Expression(text).evaluate(NAMES)
    except FileError:
        return
    assert Expression(text).kind(UNITS) == found.unit


@given(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(1e-3, 1e3))
def test_arithmetic_is_that_of_the_numbers(a: float, b: float, c: float) -> None:
    names = {"a": Quantity(a, "V"), "b": Quantity(b, "V"), "c": Quantity(c, "Ω")}
    expected = (a - b) * a / c + max(a, b) ** 2 / c
    got = Expression("(a - b) * a / c + max(a, b) ** 2 / c").evaluate_in("W", names)
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-9)
