"""What an answer means: fields, matches, characters, words, numbers, bits, sentinels."""

from __future__ import annotations

from typing import Any

import pytest

from seqrun.errors import InstrumentError, NotMeasured
from seqrun.files.driver.commands import Commands
from seqrun.instruments.answers import Answer, with_suffix, without_header


def answer(headers: bool = False, **keys: Any) -> Answer:
    return Answer(Commands.model_validate({"send": "ASK?", **keys}), headers, "it, ask")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.00MSa/s", 1e6), ("5.00E-01V", 0.5), ("500mV", 0.5), ("2kHz", 2e3), ("2KHz", 2e3),
        ("3.5GSa/s", 3.5e9), ("20us", 20e-6), ("20µs", 20e-6), ("7ns", 7e-9), ("1.5TV", 1.5e12),
        ("4pV", 4e-12), (" -12.5 ", -12.5), (".5V", 0.5), ("25", 25.0), ("1V/div", 1.0),
        ("10 %", 10.0), ("5 K", 5e3), ("7M", 7e6), ("+1.2345 VDC", 1.2345), ("12.3 mVAC", 0.0123),
        ("3 mV DC", 0.003), ("1.2 kΩ", 1200.0), ("1.5MOHM", 1.5e6), ("2 MHZ", 2e6), ("5p", 5e-12),
        ("1.0 MS/s", 1e6), ("3 mV/LSB", 0.003), ("3.3Vp-p", 3.3), ("25 °C", 25.0), ("50US", 50e-6),
        ("250MV", 0.25), ("20MA", 0.02), ("5 DCV", 5.0),
    ],
)  # fmt: skip
def test_a_number_may_have_a_prefix_and_a_unit(text: str, value: float) -> None:
    assert with_suffix(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "V", "12 apples", "1.2.3", "5xV", "m5", "1 mapples", "12F"])
def test_what_is_no_number_with_a_unit_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        with_suffix(text)


@pytest.mark.parametrize(
    ("text", "rest"),
    [(":CH1:SCALE 1.0E0", "1.0E0"), ("C1:VDIV 5.0E-1V", "5.0E-1V"), ("*ESR 0", "0"), ("-3", "-3")],
)
def test_a_header_is_taken_off_once(text: str, rest: str) -> None:
    assert without_header(text) == rest


@pytest.mark.parametrize(
    ("keys", "said", "value"),
    [
        ({}, "+1.25E+0", 1.25),
        ({"scale": 0.01, "shift": 2.0}, "1500", 17.0),
        ({"field": 1}, "1,2,3", 2.0),
        ({"field": -1}, "1,2,3", 3.0),
        ({"field": 2, "separator": ";"}, "1;2;3", 3.0),
        ({"match": "V=([0-9.]+)"}, "I=1 V=2.5", 2.5),
        ({"match": "[0-9]+"}, "about 7 or so", 7.0),
        ({"character": 2}, "0140", 4.0),
        ({"character": -1}, " 0147\r", 7.0),
        ({"map": {"LOW": 1, "HIGH": 2}}, "HIGH", 2.0),
        ({"map": {"LOW": 1}}, "5", 5.0),
        ({"as": "hex"}, "0x1F", 31.0),
        ({"as": "hex"}, "#H1F", 31.0),
        ({"as": "hex"}, "1fH", 31.0),
        ({"as": "binary"}, "#B0101", 5.0),
        ({"as": "byte", "length": 2}, "\x01\x02", 258.0),
        ({"as": "byte", "length": 5, "bit": 39}, "\x80\0\0\0\0", 1.0),
        ({"as": "byte", "length": 5, "bit": 0}, "\x80\0\0\0\1", 1.0),
        ({"as": "byte", "length": 5, "bit": 38}, "\x80\0\0\0\0", 0.0),
        ({"as": "si"}, "5.00E-01mV", 0.0005),
        ({"as": "hex", "bit": 4}, "0x10", 1.0),
        ({"as": "hex", "bit": 3}, "0x10", 0.0),
    ],
)
def test_a_number_is_read_where_the_driver_says_it_stands(
    keys: dict[str, Any], said: str, value: float
) -> None:
    assert answer(**keys).number(said) == pytest.approx(value)


def test_several_numbers_stand_between_separators_and_lose_one_header() -> None:
    assert answer(headers=True).numbers("READ 1.5,2.5,-3") == [1.5, 2.5, -3.0]
    assert answer(separator=";", scale=10.0).numbers("1;2") == [10.0, 20.0]


@pytest.mark.parametrize(
    ("said", "what"),
    [("9.9E37", "overload"), ("-9.9E37", "overload"), ("9.91E37", "no number"),
     ("-9.91E37", "no number"), ("inf", "no number"), ("1E38", "no number")],
)  # fmt: skip
def test_the_standards_sentinels_are_no_result(said: str, what: str) -> None:
    with pytest.raises(NotMeasured, match=f"reports {what}") as told:
        answer().number(said)
    assert told.value.where == "it"


def test_a_large_number_below_the_sentinels_is_a_result() -> None:
    assert answer().number("9.89E37") == 9.89e37


@pytest.mark.parametrize(
    ("keys", "said", "value"),
    [
        ({}, "1", True), ({}, "+1", True), ({}, "on", True), ({}, "TRUE", True), ({}, "0", False),
        ({}, "+0", False), ({}, "Off", False), ({}, "FALSE", False), ({}, "2", True),
        ({"invert": True}, "1", False), ({"invert": True}, "0", True),
        ({"bit": 0}, "1", True), ({"bit": 1}, "1", False), ({"bit": 1}, "+2", True),
        ({"map": {"CC": True, "CV": False}}, "CC", True),
        ({"map": {"CC": True, "CV": False}}, '"CV"', False),
        ({"match": "^Stop$"}, "Stop", True), ({"match": "^Stop$"}, "Ready", False),
        ({"match": "^Stop$", "invert": True}, "Ready", True),
        ({"match": "=(.)", "map": {"1": True, "0": False}}, "state=1", True),
        ({"character": 1}, "01", True),
    ],
)  # fmt: skip
def test_true_and_false_come_in_many_words(keys: dict[str, Any], said: str, value: bool) -> None:
    assert answer(**keys).boolean(said) is value


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({}, "perhaps"), ({}, "9.9E37"), ({}, "-9.9E37"), ({}, "nan"), ({"bit": 0}, "1.5"),
        ({"bit": 0}, "inf"),
        ({"map": {"CC": True, "CV": False}}, "UR"), ({"character": 5}, "01x"),
        ({"as": "byte", "length": 1}, ""),
    ],
)  # fmt: skip
def test_what_is_neither_true_nor_false_is_told_as_it_came(keys: dict[str, Any], said: str) -> None:
    with pytest.raises(InstrumentError) as told:
        answer(**keys).boolean(said)
    assert said in told.value.found
    assert "ASK?" in told.value.found


@pytest.mark.parametrize(
    ("keys", "said"),
    [({"field": 5}, "1x,2"), ({"field": -4}, "1x,2"), ({"match": "V=(.)"}, "I=1"), ({}, "x"),
     ({"character": 9}, "12x"), ({"character": -4}, "12x"), ({"as": "hex"}, "xyz")],
)  # fmt: skip
def test_what_is_not_where_it_should_be_is_shown_whole(keys: dict[str, Any], said: str) -> None:
    with pytest.raises(InstrumentError) as told:
        answer(**keys).number(said)
    assert f'"{said}"' in told.value.found


def test_a_long_answer_is_cut_in_the_error() -> None:
    with pytest.raises(InstrumentError) as told:
        answer().number("x" * 200)
    assert '"' + "x" * 80 + '"' in told.value.found


@pytest.mark.parametrize(
    ("keys", "said", "expected"),
    [
        ({"match": "V=([0-9.]+)"}, "12.5", "matches V="),
        ({"match": "([0-9.]+) ?mVDC", "as": "si"}, "12.5 OHM", "matches"),
        ({"field": 3}, "1,2,3", "part number 3"),
        ({"character": 4}, "101", "character number 4"),
    ],
)
def test_what_is_not_where_the_driver_says_is_no_other_number(
    keys: dict[str, Any], said: str, expected: str
) -> None:
    with pytest.raises(InstrumentError, match=expected):
        answer(**keys).number(said)
    with pytest.raises(InstrumentError, match=expected):
        answer(**{"map": {"7": True, "8": False}, **keys}).boolean(said)


@pytest.mark.parametrize("said", ["9.9E37", "+9.91E+37", "OL"])
def test_what_stands_for_no_reading_need_not_look_like_one(said: str) -> None:
    its = answer(match="([0-9.]+) V", map={"OL": 9.9e37})
    if said == "OL":
        assert its.number(said) == 9.9e37
    else:
        with pytest.raises(NotMeasured):
            its.number(said)
