"""Driver files in which something cannot work: `check` says what was found, what was expected and
where, before an instrument is at hand. Each is a right file with one thing changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files.driver.load import driver_from_text

FOLDERS = (Path(__file__).parents[2] / "drivers", Path(__file__).parent / "unseen")


def text_of(name: str) -> str:
    path = next(folder / f"{name}.toml" for folder in FOLDERS if (folder / f"{name}.toml").exists())
    return path.read_text(encoding="utf-8")


#: file, what stands in it, what is put there, and what is said about it
BROKEN = [
    ("inverted-supply", 'make_safe = "OFF*"\n', "", "operation 'make_safe' is missing"),
    ("inverted-supply", 'as = "hex", bit = [0, 1]', 'as = "si", bit = [0, 1]', "with a unit"),
    ("inverted-supply", 'volts = ["32 V", "32 V"]', 'volts = ["60 V", "32 V"]', "60 is beyond"),
    ("inverted-supply", 'error_check = "none"', 'error_check = "appended"', "are acknowledged"),
    ("inverted-supply", "words.on =", "words.onn =", "'on', the nearest known name"),
    ("inverted-supply", '"^OK$"', r'"(a+)+\\1"', "back-references"),
    ("inverted-supply", '"\\r"', "'\\r'", "letter by letter"),
    ("inverted-supply", 'true = "ON"', 'True = "ON"', "'True' is no value of on"),
    ("inverted-supply", '{ true = "ON", false = "OFF" }', '{ true = "ON" }', "no word for false"),
    ("inverted-supply", '"V{output}={volts:.2f}"', '"V1={volts:.2f}"', "which of the 2 outputs"),
    ("inverted-supply", "={volts:.2f}", "=12", "says no volts"),
    ("inverted-supply", '"=(..)"', '"=(.."', "missing )"),
    ("korad-ka3005p", "bit = 6", "bit = 9", "bit 9 of 1 byte"),
    ("burst-meter", '"20" = "2"\n', "", "no word for the range 20"),
    ("burst-meter", 'separator = "\\r\\n", as', "length = 5, as", "separator between them"),
    ("timed-meter", '"N {count}"', '"N 3"', "says no count"),
    ("timed-meter", '"200" = "200"', '"200.0" = "200"', '"200", as the value is written here'),
    ("timed-meter", 'clear = ""', 'clear = "*CLS?"', "a command that is not answered"),
    ("header-scope", '"separate"', '"seperate"', "'separate', the nearest known name"),
    ("header-scope", "max_points = 10000\n", "max_points = 10000\npiece = 1000\n", "which piece"),
    ("header-scope", '"WAVE:CH{channel}?"', '"WAVE:CH1?"', "which of the 2 channels"),
    ("header-scope", "NO = false", "NO = true", "no word means false"),
    ("header-scope", "{volts_per_division}", "1", "{range} or {volts_per_division}"),
    ("siglent-sds1000xe", ', "7000000" = "7M"', "", "record of 7000000 points"),
    ("dbm-generator", '"OUT?"', '"OUT"', "does not end with a query"),
    ("dbm-generator", "LEVEL {dbm:.2f}DBM", "LEVEL 0DBM", "says no level"),
    ("dbm-generator", '"OUT {on}"', '"OUT ON"', "says no on or off"),
    ("juntek-jds6600", "{frequency:d}", "1000", "says no frequency"),
    ("lcus-relay", 'ask = "FF"', 'ask = "FG"', '"FG" is not hexadecimal'),
    ("lcus-relay", 'send = "FF"', 'send = "F"', "half a byte"),
    ("lcus-relay", '"01 01 A2"', '"01 XX A2"', "is not hexadecimal"),
    ("dial-meter", 'error_check = "none"', 'error_check = "separate"', "speaks by itself"),
    ("mute-relays", '"nothing"', '"nothing"\nidn = "x"', "beside what is asked"),
]


@pytest.mark.parametrize(("name", "old", "new", "told"), BROKEN)
def test_what_cannot_work_is_told_with_what_was_expected(
    name: str, old: str, new: str, told: str
) -> None:
    text = text_of(name)
    assert old in text
    changed = text.replace(old, new)
    driver_from_text(text, "right.toml")
    with pytest.raises(FileError) as caught:
        driver_from_text(changed, "own.toml")
    said = str(caught.value)
    assert said.startswith("own.toml: ")
    assert told in said
    assert "expected" in said


def test_a_channel_that_the_preamble_has_chosen_need_not_be_chosen_again() -> None:
    text = text_of("tektronix-tds2000")
    changed = text.replace('["DATA:SOURCE CH{channel}", "CURVE?"]', '["CURVE?"]')
    assert changed != text
    driver_from_text(changed)


def test_every_range_that_lacks_a_row_is_told_at_once() -> None:
    text = text_of("header-scope").replace('range = "80 V"', 'range = "800 mV"')
    with pytest.raises(FileError) as caught:
        driver_from_text(text)
    assert "8 is beyond" in str(caught.value) and "80 is beyond" in str(caught.value)
