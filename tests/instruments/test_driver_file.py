"""Driver files: what is refused, and in which words."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_sim.instruments.specifications import TABLE, Accuracy
from seqrun.errors import FileError
from seqrun.files.common import validate
from seqrun.files.driver.checks import problems
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import driver_from_text, load_driver
from seqrun.files.shipped import find, shipped

ROLES = ("supply", "meter", "scope", "generator", "switch")


def text_of(role: str) -> str:
    return find("driver", f"generic-{role}").read_text(encoding="utf-8")


def refused(text: str) -> str:
    with pytest.raises(FileError) as caught:
        driver_from_text(text, "own.toml")
    return str(caught.value)


@pytest.mark.parametrize("role", ROLES)
def test_each_role_has_a_generic_driver(role: str) -> None:
    assert load_driver(find("driver", f"generic-{role}")).role == role


@pytest.mark.parametrize("name", shipped("driver"))
def test_every_shipped_driver_is_right(name: str) -> None:
    driver = load_driver(find("driver", name))
    assert bool(driver.operation) == (driver.remote and driver.sound is None)


def test_one_without_a_remote_interface_has_nothing_sent_to_it() -> None:
    text = find("driver", "handheld-meter").read_text(encoding="utf-8")
    message = refused(text.replace("remote = false", 'remote = false\nidn = "x"'))
    assert "beside remote = false" in message
    assert "'idn' is missing" in refused(text.replace("remote = false\n", ""))


def test_an_unknown_operation_gets_the_nearest_known_name() -> None:
    message = refused(text_of("supply").replace("set_voltage =", "set_volatge ="))
    assert "no operation 'set_volatge'" in message
    assert "'set_voltage', the nearest known name" in message


def test_a_missing_operation_is_named() -> None:
    message = refused(text_of("supply").replace('enabled = "OUTP?"\n', ""))
    assert "operation 'enabled' is missing" in message


def test_an_unknown_placeholder_gets_the_nearest_known_name() -> None:
    message = refused(text_of("supply").replace("{volts:.6g};:VOLT", "{volt:.6g};:VOLT"))
    assert "unknown placeholder '{volt}'" in message
    assert "'volts', the nearest known name" in message


def test_an_operation_that_must_answer_has_to_ask() -> None:
    assert "does not end with a query" in refused(text_of("supply").replace("OUTP?", "OUTP"))


def test_an_accuracy_in_the_wrong_unit_is_refused() -> None:
    message = refused(text_of("supply").replace('offset = "5 mA"', 'offset = "5 mV"'))
    assert "offset" in message
    assert "a voltage" in message
    assert "a current" in message


def test_readings_without_accuracy_are_refused() -> None:
    whole = text_of("generator")
    assert "nothing is said about level" in refused(whole[: whole.index("[[accuracy]]")])


def test_a_meter_function_that_can_be_configured_needs_its_accuracy() -> None:
    message = refused(
        text_of("meter").replace('function = "ac_voltage"', 'function = "dc_voltage"')
    )
    assert "nothing is said about ac_voltage" in message


def test_a_supply_is_not_watched_by_a_read_back_of_which_nothing_is_known() -> None:
    text = find("driver", "korad-ka3005p").read_text(encoding="utf-8")
    start = text.index("[[accuracy]]")
    rows = '[[accuracy]]\nfunction = "readback_voltage"\nunknown = true\n[[accuracy]]\n'
    rows += 'function = "readback_current"\nof_reading = "1 %"\nunverified = true\n'
    message = refused(text[:start] + rows)
    assert "readback_voltage" in message and "rails are watched by it" in message
    assert "readback_current: " not in message


def test_unknown_keys_are_refused_with_the_nearest() -> None:
    message = refused(text_of("scope").replace("byte_order", "byteorder"))
    assert "unknown key 'byteorder'" in message
    assert "byte_order" in message


def test_a_scope_preamble_must_hold_the_scaling() -> None:
    message = refused(text_of("scope").replace('"yincrement", ', ""))
    assert "has no 'yincrement'" in message


def test_a_pattern_that_is_no_regular_expression_is_refused() -> None:
    assert "regular expression" in refused(text_of("supply").replace("(?i)supply", "(supply"))


def test_everything_wrong_is_told_at_once() -> None:
    text = text_of("supply").replace("set_voltage =", "set_volatge =").replace("OUTP?", "OUTP")
    assert "3 things are wrong" in refused(text)


def test_a_table_of_another_role_is_refused() -> None:
    assert "no [generator] table" in refused(text_of("supply") + "\n[generator]\noutputs = 2\n")


@pytest.mark.parametrize(
    "entry", TABLE, ids=lambda e: f"{e.instrument}-{e.function}-{e.full_scale:g}"
)
def test_drivers_quote_the_data_sheets_of_the_simulated_instruments(entry: Accuracy) -> None:
    driver = load_driver(find("driver", f"generic-{entry.instrument}"))
    row = driver.row(entry.function, entry.full_scale)
    if row.range is not None:
        assert row.range == pytest.approx(entry.full_scale)
    assert row.gain == pytest.approx(entry.of_reading)
    # The data sheet has the leads of two-wire ohms in its offset, the driver has them apart.
    leads = driver.meter.lead_resistance if driver.meter and "2w" in entry.function else 0.0
    assert row.zero(entry.full_scale) + leads == pytest.approx(entry.offset)


def test_editors_get_a_schema() -> None:
    schema = Driver.model_json_schema(by_alias=True)
    assert schema["properties"]["operation"]["additionalProperties"]["anyOf"]
    assert "Commands" in schema["$defs"]


def test_a_clipping_code_that_no_sample_can_have_is_refused() -> None:
    message = refused(text_of("scope").replace('sample = "int16"', 'sample = "int8"'))
    assert "samples of int8" in message


def test_a_word_cannot_smuggle_in_a_second_message() -> None:
    message = refused(text_of("meter").replace('"AUTO"', '"AUTO\\nOUTP ON"'))
    assert "cannot be sent" in message


TOML_VALUES = st.recursive(
    st.booleans() | st.integers(-5, 70000) | st.floats(-1e3, 1e3) | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=4,
)


@given(
    st.sampled_from(ROLES),
    st.sampled_from(
        ["role", "idn", "link", "operation", "accuracy", "words", "scale", "scope", "supply"]
    ),
    TOML_VALUES,
)
def test_whatever_stands_at_a_key_is_taken_or_refused_in_words(
    role: str, key: str, value: object
) -> None:
    table = tomllib.loads(text_of(role)) | {key: value}
    driver, found = validate(Driver, table)
    assert (driver is None) == bool(found)
    if driver is not None:
        found = list(problems(driver))
    assert all(str(problem) for problem in found)
